// This module has no DOM access. How a fire watch or a cool-down stands, by the times of runs and of watches kept.

const SLACK_MS = 2000;
const SHOWN_FOR_MS = 24 * 3600 * 1000;

/** The server's milliseconds of the last run, of what the page and this tablet know; null without one. */
export function lastRun(drawnLastAt, entries) {
  const times = entries
    // a void run may have had its flame too
    .filter((entry) => entry.kind === "reading" || entry.kind === "void")
    .map((entry) => entry.made_at + (entry.clock_offset_s ?? 0) * 1000);
  const drawn = drawnLastAt ? [Date.parse(drawnLastAt)] : [];
  return times.length + drawn.length ? Math.max(...times, ...drawn) : null;
}

/**
 * {phase, left_ms, until}: "none" when nothing is to be watched, "running", or "over" until somebody says that it was
 * kept. `keptFrom` are the starts of watches kept already, in milliseconds. A run after a watch starts a new one.
 */
export function watchAt({ minutes, lastAt, keptFrom, now }) {
  const isKept = keptFrom.some((start) => start >= lastAt - SLACK_MS);
  if (lastAt === null || isKept || now - lastAt > SHOWN_FOR_MS) {
    return { phase: "none", left_ms: 0, until: null };
  }
  const until = lastAt + minutes * 60_000;
  const left = until - now;
  return { phase: left > 0 ? "running" : "over", left_ms: Math.max(0, left), until };
}

/** Minutes and seconds, such as 27:04; from an hour on 1:00:00. */
export function clockWords(milliseconds) {
  const seconds = Math.ceil(milliseconds / 1000);
  const [hours, minutes] = [Math.floor(seconds / 3600), Math.floor(seconds / 60) % 60];
  const two = (number) => String(number).padStart(2, "0");
  return hours ? `${hours}:${two(minutes)}:${two(seconds % 60)}` : `${minutes}:${two(seconds % 60)}`;
}
