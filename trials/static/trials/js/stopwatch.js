// This module has no DOM access. A stopwatch with one button: start, stop, start over.
// A moment is {steady, wall}, both in milliseconds: `steady` never jumps but may stand still while a tablet sleeps,
// `wall` goes on but may be set.

export const READY = Object.freeze({ phase: "ready", startedAt: null, seconds: null, slept: false });

const SLEEP_MS = 500; // clocks further apart than this did not run together

/** The stopwatch after its button was pressed at a moment. */
export function press(watch, moment) {
  if (watch.phase === "running") {
    const { seconds, slept } = elapsed(watch, moment);
    return { phase: "stopped", startedAt: null, seconds, slept };
  }
  return { phase: "running", startedAt: moment, seconds: null, slept: false };
}

/** Seconds since the start, and whether the two clocks disagree about them. */
export function elapsed(watch, moment) {
  const steady = moment.steady - watch.startedAt.steady;
  const wall = moment.wall - watch.startedAt.wall;
  return { seconds: Math.max(0, steady) / 1000, slept: Math.abs(wall - steady) > SLEEP_MS };
}

/** What the button does next, in words. */
export function buttonWords(watch) {
  return { ready: "Start", running: "Stop", stopped: "Start over" }[watch.phase];
}
