// View module: one number pad for all readouts of a form; it types into the one touched last.

import { press } from "../../labsite/js/keypad-text.js";

export function wireKeypad(root) {
  const readouts = [...root.querySelectorAll("[data-readout]")];
  const pad = root.querySelector("[data-keypad]");
  if (!pad) {
    return;
  }
  let target = readouts[0];
  const aim = (readout) => {
    target = readout;
    for (const other of readouts) {
      other.closest(".readout").toggleAttribute("data-aimed", readouts.length > 1 && other === target);
    }
  };
  for (const readout of readouts) {
    readout.addEventListener("focus", () => {
      aim(readout);
      // the tablet's own keyboard stays away from a readout, so the folded pad must come
      pad.closest("details")?.setAttribute("open", "");
    });
  }
  aim(target);
  pad.addEventListener("click", (event) => {
    const key = event.target.closest("button");
    if (key) {
      target.value = press(target.value, key.value);
      target.dispatchEvent(new Event("input", { bubbles: true }));
    }
  });
}
