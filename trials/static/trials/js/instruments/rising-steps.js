// View module: levels as buttons, held and failed below them, the bracket so far in words.

import { bracket, bracketWords, mayTry, nextLevel, record, stepsOf, undo } from "../rising-steps.js";
import { wirePlain } from "./plain.js";

export function wireRisingSteps(root, data) {
  const levels = data.levels.map((level) => level.value);
  if (!levels.length) {
    return wirePlain(root);
  }
  const buttons = [...root.querySelectorAll("[data-level]")];
  const outcomes = [...root.querySelectorAll("[data-step]")];
  const undoButton = root.querySelector("[data-step-undo]");
  const shown = root.querySelector("[data-bracket]");
  const say = (level) => data.levels.find((known) => known.value === level)?.words ?? `${level} ${data.unit}`;
  let steps = [];
  let chosen = null;

  const draw = () => {
    for (const button of buttons) {
      const level = Number(button.dataset.level);
      button.setAttribute("aria-pressed", String(level === chosen));
      button.disabled = !mayTry(steps, level);
    }
    for (const button of outcomes) {
      const words = button.dataset.step === "held" ? "Held" : "Failed";
      button.textContent = chosen === null ? words : `${words} at ${say(chosen)}`;
      button.disabled = chosen === null;
    }
    undoButton.disabled = !steps.length;
    shown.textContent = bracketWords(levels, steps, say);
  };
  const become = (now) => {
    steps = now;
    chosen = nextLevel(levels, steps);
    draw();
  };

  for (const button of buttons) {
    button.addEventListener("click", () => {
      chosen = Number(button.dataset.level);
      draw();
    });
  }
  for (const button of outcomes) {
    button.addEventListener("click", () => become(record(steps, chosen, button.dataset.step)));
  }
  undoButton.addEventListener("click", () => {
    const back = steps.at(-1).level;
    become(undo(steps));
    chosen = back;
    draw();
  });
  draw();
  return {
    typed: () => bracket(steps),
    fill: (raw) => become(stepsOf(raw)),
    draft: () => ({ steps, chosen }),
    restore: (kept) => {
      become(kept.steps);
      chosen = kept.chosen;
      draw();
    },
  };
}
