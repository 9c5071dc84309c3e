// View module: voiding the run, with its reason.

import { meaningOf } from "./answers.js";
import { typedIn } from "./instruments/plain.js";
import { clearProblems, showProblems } from "./problems.js";
import { showAnswered, showNotSent, showSending } from "./sending.js";

export function wireVoid(page, data, client) {
  const form = page.querySelector("[data-void]");
  if (!form) {
    return;
  }
  form.hidden = false;
  const button = form.querySelector("[type=submit]");
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    clearProblems(form);
    const said = { ...typedIn(form), note: form.elements.note.value.trim() };
    const problems = {
      ...(said.reason ? {} : { reason: "Choose a reason from the list." }),
      ...(said.note ? {} : { note: "Say in a sentence what happened." }),
      ...(said.value_was_known ? {} : { value_was_known: "Say whether the value was known." }),
    };
    if (Object.keys(problems).length) {
      showProblems(form, problems);
      return;
    }
    showSending(form, button);
    const body = { reason: said.reason, note: said.note, value_was_known: said.value_was_known === "yes" };
    const answer = await client.send("POST", data.addresses.void, body);
    const meaning = meaningOf(answer, (told) => told.id === data.run && told.state === "void");
    if (meaning === "kept") {
      window.location.reload();
    } else if (meaning === "refused") {
      showAnswered(form, button, "Void this run");
      showProblems(form, answer.body.problems);
    } else {
      showNotSent(form, button, meaning, answer);
    }
  });
}
