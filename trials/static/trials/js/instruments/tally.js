// View module: the turn counter.

import { down, up } from "../tally.js";
import { wirePlain } from "./plain.js";

export function wireTally(root) {
  const box = root.querySelector("[name=turns]");
  const set = (text) => {
    box.value = text;
    box.dispatchEvent(new Event("input", { bubbles: true }));
  };
  root.querySelector("[data-tally-up]").addEventListener("click", () => set(up(box.value)));
  root.querySelector("[data-tally-down]").addEventListener("click", () => set(down(box.value)));
  return wirePlain(root);
}
