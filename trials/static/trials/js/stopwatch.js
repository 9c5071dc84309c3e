// This module has no DOM access. A stopwatch: start, stop, split, undo.
// A moment is {steady, wall, origin}, times in milliseconds: `steady` never jumps but may stand still while a tablet
// sleeps and begins anew with each page, whose beginning is `origin`; `wall` goes on but may be set.

export const READY = Object.freeze({
  phase: "ready",
  startedAt: null,
  seconds: null,
  slept: false,
  splits: [],
  stoppedAt: null,
  before: null,
});

const SLEEP_MS = 500; // clocks further apart than this did not run together
const BOUNCE_MS = 800; // a press so soon after the stop is the finger, not the wish to start over

/** The stopwatch after its button was pressed at a moment: start, stop, start over. A bounce changes nothing. */
export function press(watch, moment) {
  if (watch.stoppedAt && elapsed({ startedAt: watch.stoppedAt }, moment).seconds * 1000 < BOUNCE_MS) {
    return watch;
  }
  if (watch.phase === "running") {
    const { seconds, slept } = elapsed(watch, moment);
    return { ...watch, phase: "stopped", seconds, slept, stoppedAt: moment, before: watch };
  }
  return { ...READY, phase: "running", startedAt: moment, before: watch };
}

/** The stopwatch with the time so far noted; it goes on running. */
export function split(watch, moment) {
  if (watch.phase !== "running") {
    return watch;
  }
  return { ...watch, splits: [...watch.splits, elapsed(watch, moment).seconds], before: watch };
}

/** What it was before the last press: a stop taken back runs on as if it had never been stopped. */
export function undo(watch) {
  return watch.before ?? watch;
}

/**
 * Seconds since the start, and whether the tablet slept or the page was loaded anew in between.
 * Then the wall clock counts, unless it says that less time passed than the steady one knows of: it was set back.
 */
export function elapsed(watch, moment) {
  const steady = moment.steady - watch.startedAt.steady;
  const wall = moment.wall - watch.startedAt.wall;
  const samePage = moment.origin === watch.startedAt.origin;
  const together = samePage && Math.abs(wall - steady) <= SLEEP_MS;
  const milliseconds = together || (samePage && wall < steady) ? steady : wall;
  return { seconds: Math.max(0, milliseconds) / 1000, slept: !together };
}

/** What the button does next, in words. */
export function buttonWords(watch) {
  return { ready: "Start", running: "Stop", stopped: "Start over" }[watch.phase];
}

/** What goes into the note of the reading: the splits, and what the watch showed when the time was typed over. */
export function remarks(watch, typed, decimals) {
  const said = [];
  if (watch.splits.length) {
    said.push(`Splits: ${watch.splits.map((seconds) => `${seconds.toFixed(decimals)} s`).join(", ")}.`);
  }
  if (watch.phase === "stopped") {
    const shown = watch.seconds.toFixed(decimals);
    if (typed !== shown) {
      said.push(`The stopwatch showed ${shown} s.`);
    }
    if (watch.slept) {
      said.push("Timed over the tablet's sleep, by its clock.");
    }
  }
  return said.join(" ");
}
