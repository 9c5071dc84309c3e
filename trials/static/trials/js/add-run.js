// Entry module of a sheet: a run added while there is no network goes to the queue; otherwise the form posts itself.

import { mintId } from "./ids.js";
import { clearProblems, showProblems } from "./problems.js";
import { isOutOfReach, put, whenAnswered } from "./queue.js";
import { notStoredWords } from "./queue/flow.js";

const form = document.querySelector("[data-add-run]");

form?.addEventListener("submit", async (event) => {
  if (!isOutOfReach()) {
    return;
  }
  event.preventDefault();
  clearProblems(form);
  const typed = Object.fromEntries(["specimen", "method", "zone", "site"].map((name) => [name, form.elements[name].value.trim()]));
  const missing = [
    ["specimen", "Type the code on the specimen's label."],
    ["method", "Choose a method."],
    ["zone", "Choose a zone."],
  ].filter(([name]) => !typed[name]);
  if (typed.site && !/^[1-9]\d{0,3}$/u.test(typed.site)) {
    missing.push(["site", "A site is a number from 1 up."]);
  }
  if (missing.length) {
    showProblems(form, Object.fromEntries(missing));
    return;
  }
  const id = mintId((bytes) => crypto.getRandomValues(bytes));
  try {
    await put({
      kind: "run",
      id,
      method: "POST",
      address: form.dataset.addRun,
      body: { ...typed, entry: id, site: typed.site ? Number(typed.site) : null },
      label: `Add a run: ${typed.specimen}, ${typed.zone}, ${typed.method}`,
      about: `run:${id}`,
    });
  } catch (error) {
    showProblems(form, { "": notStoredWords(error) });
    return;
  }
  const kept = form.querySelector("[data-add-run-kept]");
  kept.hidden = false;
  kept.focus();
  form.reset();
  whenAnswered(id).then(({ meaning, answer }) => {
    kept.hidden = true;
    if (meaning === "kept") {
      window.location.assign(`${window.location.pathname}runs/${answer.body.id}/`);
    } else if (answer.body?.problems) {
      showProblems(form, answer.body.problems);
    }
  });
});
