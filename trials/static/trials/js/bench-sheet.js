// Entry module of a run sheet: a specimen in hand leads to its run.

import { runFor } from "./in-hand.js";
import { wireScan } from "./scan.js";

const root = document.querySelector("[data-scan-sheet]");
if (root) {
  const data = JSON.parse(document.getElementById("sheet-data").textContent);
  const form = root.querySelector("[data-hand-form]");
  const problem = root.querySelector("[data-hand-problem]");
  const later = root.querySelector("[data-hand-later]");

  const anyway = root.querySelector("[data-hand-anyway]");
  const whyProblem = root.querySelector("[data-hand-why-problem]");
  let address = "";

  anyway.addEventListener("submit", (event) => {
    event.preventDefault();
    const why = anyway.elements.why.value.trim();
    whyProblem.hidden = Boolean(why);
    anyway.elements.why.toggleAttribute("aria-invalid", !why);
    if (why) {
      window.location.assign(`${address}&why=${encodeURIComponent(why)}`);
    } else {
      anyway.elements.why.focus();
    }
  });

  const go = (text) => {
    const found = runFor(text, data.runs, { isBlind: data.is_blind });
    form.elements.code.toggleAttribute("aria-invalid", Boolean(found.problem));
    problem.hidden = !found.problem;
    problem.textContent = found.problem ?? "";
    later.hidden = !found.later;
    if (found.problem) {
      form.elements.code.focus();
    } else if (found.later) {
      root.querySelector("[data-hand-later-words]").textContent = found.later;
      address = found.address;
      anyway.elements.why.focus();
    } else {
      window.location.assign(found.address);
    }
  };
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    go(form.elements.code.value);
  });
  wireScan(root, (text) => {
    form.elements.code.value = text.slice(0, 40);
    go(text);
  });
}
