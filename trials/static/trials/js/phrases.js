// View module: ready phrases go into the note at a tap; a second tap takes the phrase out again.

import { withPhrase } from "./notes.js";

export function wirePhrases(form) {
  const note = form.elements.note;
  const buttons = [...form.querySelectorAll("[data-phrase]")];
  const draw = () => {
    for (const button of buttons) {
      button.setAttribute("aria-pressed", String(note.value.includes(button.textContent)));
    }
  };
  for (const button of buttons) {
    button.addEventListener("click", () => {
      note.value = withPhrase(note.value, button.textContent);
      note.dispatchEvent(new Event("input", { bubbles: true }));
    });
  }
  note.addEventListener("input", draw);
  draw();
}
