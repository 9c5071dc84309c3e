// Entry module of a sheet: a run added while there is no network goes to the queue, and its page opens at once;
// otherwise the form posts itself.

import { readCode } from "./codes.js";
import { mintId } from "./ids.js";
import { clearProblems, showProblems } from "./problems.js";
import { database, isOutOfReach, listen, put, whoseQueue } from "./queue.js";
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
  const { code, problem } = readCode(typed.specimen);
  if (typed.specimen && problem) {
    missing.push(["specimen", problem]);
  }
  if (typed.site && !/^[1-9]\d{0,3}$/u.test(typed.site)) {
    missing.push(["site", "A site is a number from 1 up."]);
  }
  if (missing.length) {
    showProblems(form, Object.fromEntries(missing));
    return;
  }
  typed.specimen = code;
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
  window.location.assign(pageOf({ id, body: typed }));
});

const wordsOf = (name, value) => {
  const option = [...form.elements[name].options].find((one) => one.value === value);
  return option ? option.textContent.trim() : value;
};

/** Where a run that only this tablet knows is entered; the page is kept, and the rest stands behind the #. */
function pageOf({ id, body }) {
  const option = [...form.elements.method.options].find((one) => one.value === body.method);
  const told = new URLSearchParams({ entry: id, specimen: body.specimen, zone: body.zone, site: body.site ?? "" });
  return `${option.dataset.page}#${told}`;
}

/** Runs added here that the server does not know yet. */
async function showAdded() {
  const store = await database();
  const added = (await store.ofKind(whoseQueue.person, "run")).filter((entry) => entry.address === form.dataset.addRun);
  document.querySelector("[data-added-runs]").replaceChildren(
    ...added.map((entry) => {
      const item = document.createElement("li");
      const link = document.createElement("a");
      link.className = "bench-link bench-link-to-do";
      link.href = pageOf(entry);
      const { specimen, zone, method } = entry.body;
      const why = entry.state === "refused" ? "Not taken by the server: look at what waits" : "Added on this tablet";
      link.append(
        ...[`${specimen}, ${wordsOf("zone", zone)}`, wordsOf("method", method), why].map((words) => {
          const line = document.createElement("span");
          line.textContent = words;
          return line;
        }),
      );
      item.append(link);
      return item;
    }),
  );
}

if (form) {
  showAdded();
  for (const name of ["changed", "answered"]) {
    listen(name, showAdded);
  }
}
