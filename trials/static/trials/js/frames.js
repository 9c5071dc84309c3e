// This module has no DOM access. Moments of a film in whole frames.

/** The moment of the frame shown at `seconds`, moved by some frames; never before the start or past the end. */
export function stepped(seconds, frames, rate, duration) {
  const last = Number.isFinite(duration) ? Math.max(0, Math.floor(duration * rate)) : Infinity;
  const frame = Math.min(last, Math.max(0, frameAt(seconds, rate) + frames));
  return momentOf(frame, rate);
}

/** The number of the frame shown at a moment, the first being 0. */
export function frameAt(seconds, rate) {
  // players seek to a moment a hair off the frame's own
  return Math.floor(seconds * rate + 0.01);
}

/** The moment at which a frame begins, in s. */
export function momentOf(frame, rate) {
  return frame / rate;
}

/** A moment as it is typed: to the millisecond, which no frame rate of a bench camera needs finer. */
export function momentText(seconds) {
  return seconds.toFixed(3);
}
