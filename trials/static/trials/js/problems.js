// View module: problems beside their fields, and the focus on the first of them.

/** Take all problems away. */
export function clearProblems(form) {
  for (const place of form.querySelectorAll("[data-problem]")) {
    place.hidden = true;
    place.textContent = "";
  }
  for (const field of form.querySelectorAll("[aria-invalid]")) {
    field.removeAttribute("aria-invalid");
  }
  const summary = form.querySelector("[data-problems]");
  summary.hidden = true;
  summary.replaceChildren();
}

/** Show problems (field to sentences) beside their fields; those of no field of this form go on top. */
export function showProblems(form, problems) {
  clearProblems(form);
  const elsewhere = [];
  let first = null;
  for (const [name, sentences] of Object.entries(problems)) {
    const words = [sentences].flat().join(" ");
    const place = form.querySelector(`[data-problem="${CSS.escape(name)}"]`);
    if (!place) {
      elsewhere.push(words);
      continue;
    }
    place.textContent = words;
    place.hidden = false;
    const field = form.querySelector(`[data-field="${CSS.escape(name)}"], [name="${CSS.escape(name)}"]`);
    field?.setAttribute("aria-invalid", "true");
    field?.closest("details")?.setAttribute("open", "");
    first = earlier(first, field);
  }
  const summary = form.querySelector("[data-problems]");
  const head = document.createElement("h3");
  const count = Object.keys(problems).length;
  head.textContent = `Not kept yet: ${count === 1 ? "one thing" : `${count} things`} to put right`;
  summary.append(head, ...elsewhere.map(paragraph));
  summary.hidden = false;
  (elsewhere.length || !first ? summary : first).focus();
}

function earlier(one, other) {
  if (!one || !other) {
    return one ?? other;
  }
  return one.compareDocumentPosition(other) & Node.DOCUMENT_POSITION_PRECEDING ? other : one;
}

function paragraph(words) {
  const made = document.createElement("p");
  made.textContent = words;
  return made;
}
