// View module: the safety checks, each ticked by itself. Until they are passed there is nothing to enter into.

import { meaningOf, sentenceFor } from "./answers.js";
import { clearProblems, showProblems } from "./problems.js";

export function wireChecks(page, data, client, { onPassed, onDue }) {
  const section = page.querySelector("[data-checks]");
  if (!section) {
    onPassed();
    return;
  }
  const form = section.querySelector("[data-checks-form]");
  const passed = section.querySelector("[data-checks-passed]");
  const button = form.querySelector("[type=submit]");

  const settle = (until) => {
    const left = until ? new Date(until) - Date.now() : 0;
    form.hidden = left > 0;
    passed.hidden = left <= 0;
    if (left > 0) {
      onPassed();
      setTimeout(() => settle(until), left);
    } else {
      onDue();
    }
  };

  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    clearProblems(form);
    const boxes = [...form.querySelectorAll("input[type=checkbox]")];
    const answers = Object.fromEntries(boxes.map((box) => [box.name, box.checked]));
    const missing = boxes.filter((box) => !box.checked).map((box) => [box.name, "Not ticked yet."]);
    if (missing.length) {
      showProblems(form, Object.fromEntries(missing));
      return;
    }
    button.disabled = true;
    const answer = await client.send("POST", data.addresses.checks, { answers });
    button.disabled = false;
    const meaning = meaningOf(answer, (body) => Boolean(body.until));
    if (meaning === "kept") {
      settle(answer.body.until);
    } else {
      showProblems(form, answer.body?.problems ?? { "": sentenceFor(meaning, answer) });
    }
  });

  settle(section.dataset.until);
}
