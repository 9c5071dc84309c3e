// View module: the derived quantity beside what is typed, at every touch of a key.

import { derivedWords } from "../derived.js";
import { netOf } from "../numbers.js";

const BOXES = { value: "value", timer: "seconds", tally: "turns", challenge: "level" };

/** Returns what draws it again after the boxes were filled by a program. */
export function wireDerived(form, data) {
  const shown = form.querySelector("[data-derived]");
  if (!shown || !data.derived) {
    return () => {};
  }
  // beside the box it comes from, not below everything else of the form
  const box = [...form.querySelectorAll("[data-instrument] .bench-readout")].at(-1);
  (box?.closest(".bench-pair") ?? box)?.after(shown);
  const typedIn = (name) => form.querySelector(`[name=${name}]`)?.value ?? "";
  const typed = () => {
    if (data.kind === "mass_gain") {
      return netOf(typedIn("before_g"), typedIn("after_g")) ?? "";
    }
    if (data.kind === "rising_steps") {
      return typedIn("failed_at") || typedIn("held_at");
    }
    return typedIn(BOXES[data.kind]);
  };
  const draw = () => {
    shown.textContent = derivedWords(data.derived, typed());
  };
  form.addEventListener("input", draw);
  draw();
  return draw;
}
