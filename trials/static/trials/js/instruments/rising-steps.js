// View module: levels as buttons, held and failed below them, the bracket so far in words.

import { bracket, bracketWords, isDone, mayTry, nextLevel, record, remarks, stepsOf, undo } from "../rising-steps.js";
import { wirePlain } from "./plain.js";

export function wireRisingSteps(root, data) {
  const levels = data.levels.map((level) => level.value);
  const rule = data.step_rule ?? {};
  if (!levels.length) {
    return wirePlain(root);
  }
  const buttons = [...root.querySelectorAll("[data-level]")];
  const outcomes = [...root.querySelectorAll("[data-step]")];
  const undoButton = root.querySelector("[data-step-undo]");
  const shown = root.querySelector("[data-bracket]");
  const say = (level) => data.levels.find((known) => known.value === level)?.words ?? `${level} ${data.unit}`;
  let steps = [];
  let chosen = nextLevel(levels, steps, rule);

  const draw = () => {
    for (const button of buttons) {
      const level = Number(button.dataset.level);
      button.setAttribute("aria-pressed", String(level === chosen));
      button.disabled = !mayTry(levels, steps, level, rule);
    }
    for (const button of outcomes) {
      const words = button.dataset.step === "held" ? "Held" : "Failed";
      button.textContent = chosen === null ? words : `${words} at ${say(chosen)}`;
      button.disabled = chosen === null;
    }
    undoButton.disabled = !steps.length;
    shown.textContent = bracketWords(levels, steps, say, rule);
    drawLadder();
  };
  // every level with what became of it; the proposed one is named too, so colour says nothing alone
  const drawLadder = () => {
    const next = nextLevel(levels, steps, rule);
    for (const button of buttons) {
      const level = Number(button.dataset.level);
      const step = steps.find((one) => one.level === level);
      const words = step?.outcome ?? (level === next ? "next" : "");
      button.dataset.outcome = words;
      button.querySelector("[data-level-outcome]").textContent = words;
    }
    root.querySelector("[data-steps-done]").hidden = !isDone(levels, steps, rule);
  };
  const become = (now) => {
    steps = now;
    chosen = nextLevel(levels, steps, rule);
    draw();
  };

  for (const button of buttons) {
    button.addEventListener("click", () => {
      chosen = Number(button.dataset.level);
      draw();
    });
  }
  for (const button of outcomes) {
    button.addEventListener("click", () => become(record(levels, steps, chosen, button.dataset.step, rule)));
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
    remarks: () => remarks(steps, say),
    draft: () => ({ steps, chosen }),
    restore: (kept) => {
      become(kept.steps);
      chosen = kept.chosen;
      draw();
    },
  };
}
