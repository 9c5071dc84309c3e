// View module: voiding the run, with its reason.

import { mintId } from "./ids.js";
import { typedIn } from "./instruments/plain.js";
import { clearProblems, showProblems } from "./problems.js";
import { database, put, whenAnswered } from "./queue.js";
import { REFUSED } from "./queue/flow.js";
import { showKeeping, showNotStored, showReady } from "./sending.js";

export function wireVoid(page, data) {
  const form = page.querySelector("[data-void]");
  if (!form) {
    return;
  }
  form.hidden = false;
  const button = form.querySelector("[type=submit]");
  const kept = page.querySelector("[data-void-kept]");
  const about = `run:${data.run}`;
  let id = mintId((bytes) => crypto.getRandomValues(bytes));

  function keptHere(voidId) {
    form.hidden = true;
    kept.hidden = false;
    whenAnswered(voidId).then(({ meaning, answer }) => {
      if (meaning === "kept") {
        window.location.reload();
      } else if (meaning === "refused") {
        form.hidden = false;
        kept.hidden = true;
        form.closest("details")?.setAttribute("open", "");
        showProblems(form, answer.body.problems);
      } else {
        keptHere(voidId);
      }
    });
  }

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
    showKeeping(form, button);
    try {
      await put({
        kind: "void",
        id,
        method: "POST",
        address: data.addresses.void,
        body: {
          entry: id,
          reason: said.reason,
          note: said.note,
          value_was_known: said.value_was_known === "yes",
          voided_at: new Date().toISOString(),
        },
        label: `Void: ${said.reason}. ${said.note}`,
        about,
        isClocked: true,
      });
    } catch (error) {
      showNotStored(form, button, error);
      return;
    }
    showReady(form, button);
    keptHere(id);
    kept.focus();
  });

  database()
    .then((store) => store.about(about))
    .then(({ waiting }) => {
      const known = waiting.find((entry) => entry.kind === "void");
      if (known && known.state !== REFUSED) {
        keptHere(known.id);
      } else if (known) {
        id = known.id;
        form.closest("details")?.setAttribute("open", "");
        showProblems(form, known.problems ?? {});
      }
    });
}
