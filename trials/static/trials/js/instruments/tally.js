// View module: the turn counter.

import { down, pitch, pulse, up } from "../tally.js";
import { wireFeedback } from "./feedback.js";
import { wireHardwareKey } from "./hardware-key.js";
import { wirePlain } from "./plain.js";

export function wireTally(root) {
  const box = root.querySelector("[name=turns]");
  const shown = root.querySelector("[data-tally-shown]");
  const tell = wireFeedback(root);
  const draw = () => {
    shown.textContent = box.value.trim() || "0";
  };
  const set = (text) => {
    box.value = text;
    box.dispatchEvent(new Event("input", { bubbles: true }));
  };
  const count = () => {
    set(up(box.value));
    tell({ hertz: pitch(box.value), milliseconds: pulse(box.value) });
  };
  box.addEventListener("input", draw);
  root.querySelector("[data-tally-up]").addEventListener("click", count);
  root.querySelector("[data-tally-down]").addEventListener("click", () => {
    set(down(box.value));
    tell({ hertz: 440, milliseconds: 90 });
  });
  wireHardwareKey(root, count);
  draw();
  const instrument = wirePlain(root);
  return {
    typed: instrument.typed,
    fill: (raw) => {
      instrument.fill(raw);
      draw();
    },
  };
}
