// View module: the stopwatch with its one large button.

import { READY, buttonWords, elapsed, press, remarks, split, undo } from "../stopwatch.js";
import { wireFeedback } from "./feedback.js";
import { wireHardwareKey } from "./hardware-key.js";
import { wirePlain } from "./plain.js";

export function wireTimer(root, data) {
  const [shown, button, slept, box, splitButton, undoButton, splits] = [
    "[data-watch-shown]",
    "[data-watch]",
    "[data-watch-slept]",
    "[name=seconds]",
    "[data-watch-split]",
    "[data-watch-undo]",
    "[data-watch-splits]",
  ].map((selector) => root.querySelector(selector));
  const tell = wireFeedback(root);
  let watch = READY;
  let touchedAt = null;
  let isTicking = false;

  const moment = (steady) => ({
    steady,
    wall: Date.now() - (performance.now() - steady),
    origin: performance.timeOrigin,
  });
  const tick = () => {
    isTicking = watch.phase === "running";
    if (isTicking) {
      shown.textContent = elapsed(watch, moment(performance.now())).seconds.toFixed(1);
      requestAnimationFrame(tick);
    }
  };
  const become = (now, { isTyped = false } = {}) => {
    const changed = now !== watch;
    watch = now;
    button.textContent = buttonWords(watch);
    slept.hidden = !watch.slept;
    splitButton.disabled = watch.phase !== "running";
    undoButton.disabled = watch.before === null;
    splits.textContent = watch.splits.length
      ? `Splits: ${watch.splits.map((seconds) => `${seconds.toFixed(data.decimals)} s`).join(", ")}`
      : "";
    if (changed && !isTyped) {
      box.value = watch.phase === "stopped" ? watch.seconds.toFixed(data.decimals) : "";
      box.dispatchEvent(new Event("input", { bubbles: true }));
    }
    if (watch.phase !== "running") {
      shown.textContent = watch.phase === "stopped" ? watch.seconds.toFixed(data.decimals) : "0.0";
    } else if (!isTicking) {
      tick();
    }
  };
  const pressAt = (steady) => {
    become(press(watch, moment(steady)));
    tell({ hertz: watch.phase === "running" ? 880 : 1320, milliseconds: 80 });
  };

  // Time counts from the touch, not from lifting the finger, which only makes the press final.
  button.addEventListener("pointerdown", (event) => {
    touchedAt = event.timeStamp;
  });
  button.addEventListener("pointercancel", () => {
    touchedAt = null;
  });
  button.addEventListener("click", (event) => {
    const at = touchedAt ?? event.timeStamp;
    touchedAt = null;
    pressAt(at);
  });
  wireHardwareKey(root, (event) => pressAt(event.timeStamp));
  splitButton.addEventListener("click", (event) => become(split(watch, moment(event.timeStamp)), { isTyped: true }));
  undoButton.addEventListener("click", () => become(undo(watch)));
  become(watch);

  const instrument = wirePlain(root);
  return {
    typed: instrument.typed,
    fill: instrument.fill,
    remarks: () => remarks(watch, box.value.trim(), data.decimals),
    /** With the moments of the watch, so that a running one runs on through a reload. */
    draft: () => ({ typed: instrument.typed(), watch }),
    restore: (kept) => {
      instrument.fill(kept.typed);
      become(kept.watch, { isTyped: true });
    },
  };
}
