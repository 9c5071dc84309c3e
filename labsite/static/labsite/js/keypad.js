// Entry module: wires each [data-keypad] number pad to the input it names, and tells the page as typing would.

import { press } from "./keypad-text.js";

for (const pad of document.querySelectorAll("[data-keypad]")) {
  const readout = document.getElementById(pad.dataset.keypad);
  pad.addEventListener("click", (event) => {
    const key = event.target.closest("button");
    if (!key) {
      return;
    }
    readout.value = press(readout.value, key.value);
    readout.dispatchEvent(new Event("input", { bubbles: true }));
  });
}
