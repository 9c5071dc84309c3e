// View module: the stopwatch with its one large button.

import { READY, buttonWords, elapsed, press } from "../stopwatch.js";
import { fillIn, typedIn } from "./plain.js";

export function wireTimer(root, data) {
  const [shown, button, slept, box] = ["[data-watch-shown]", "[data-watch]", "[data-watch-slept]", "[name=seconds]"].map(
    (selector) => root.querySelector(selector),
  );
  let watch = READY;
  let touchedAt = null;

  const moment = (steady) => ({ steady, wall: Date.now() - (performance.now() - steady) });
  const draw = () => {
    if (watch.phase === "running") {
      shown.textContent = elapsed(watch, moment(performance.now())).seconds.toFixed(1);
      requestAnimationFrame(draw);
    }
  };

  // Time counts from the touch, not from lifting the finger, which only makes the press final.
  button.addEventListener("pointerdown", (event) => {
    touchedAt = event.timeStamp;
  });
  button.addEventListener("pointercancel", () => {
    touchedAt = null;
  });
  button.addEventListener("click", (event) => {
    watch = press(watch, moment(touchedAt ?? event.timeStamp));
    touchedAt = null;
    button.textContent = buttonWords(watch);
    slept.hidden = !watch.slept;
    if (watch.phase === "stopped") {
      shown.textContent = watch.seconds.toFixed(data.decimals);
      box.value = watch.seconds.toFixed(data.decimals);
      box.dispatchEvent(new Event("input", { bubbles: true }));
    }
    draw();
  });
  return {
    typed: () => typedIn(root),
    fill: (raw) => fillIn(root, raw),
    /** With the moment of the start, so that a running watch runs on through a reload. */
    draft: () => ({ typed: typedIn(root), startedAtWall: watch.phase === "running" ? watch.startedAt.wall : null }),
    restore: ({ typed, startedAtWall }) => {
      fillIn(root, typed);
      if (startedAtWall !== null) {
        // the page's steady clock started anew with the page: only the wall clock spans both
        const steady = performance.now() - (Date.now() - startedAtWall);
        watch = { ...press(READY, { steady, wall: startedAtWall }) };
        button.textContent = buttonWords(watch);
        draw();
      }
    },
  };
}
