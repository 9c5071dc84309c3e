// View module: two masses, and their net at once.

import { netOf, plain } from "../numbers.js";
import { wirePlain } from "./plain.js";

export function wireMassGain(root, data) {
  const [before, after] = ["before_g", "after_g"].map((name) => root.querySelector(`[name=${name}]`));
  const shown = root.querySelector("[data-net]");
  const draw = () => {
    const net = netOf(before.value, after.value);
    shown.textContent = net === null ? "Net: type both masses." : `Net: ${plain(net)}\u00a0${data.unit}`;
  };
  root.addEventListener("input", draw);
  const instrument = wirePlain(root);
  return {
    typed: instrument.typed,
    fill: (raw) => {
      instrument.fill(raw);
      draw();
    },
  };
}
