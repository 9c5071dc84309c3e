// This module has no DOM access. How far this tablet's clock is from the server's.
// An offset is what has to be added to the tablet's time, in seconds; null means that nobody knows.

const SMALLEST_S = 2; // a difference that the road there and back may explain
const TOLD_FROM_S = 60;
const KNOWN_FOR_MS = 24 * 3600 * 1000;

/**
 * The offset by an answer that says the server's time. `sentAt` and `cameAt` are the tablet's milliseconds around
 * the request; the server's time lies somewhere between them, so a slow answer says less.
 */
export function offsetOf({ sentAt, cameAt, serverTime }) {
  const server = Date.parse(serverTime ?? "");
  if (Number.isNaN(server)) {
    return null;
  }
  const offset = (server - (sentAt + cameAt) / 2) / 1000;
  const unsure = Math.max(SMALLEST_S, (cameAt - sentAt) / 2000);
  return Math.abs(offset) < unsure ? 0 : Math.round(offset * 10) / 10;
}

/** A moment to compare with a later one: the clock that may be set, and the one that only goes on. */
export function moment(wall, steady) {
  return { wall, steady };
}

/**
 * The offset that may be written on an entry now: one that was measured not long ago and since when nobody seems to
 * have set the clock. Null leaves it to the moment of sending.
 */
export function offsetToWrite(known, now) {
  if (!known || known.offset_s === null) {
    return null;
  }
  const passed = now.wall - known.at.wall;
  if (passed < 0 || passed > KNOWN_FOR_MS) {
    return null;
  }
  // another page measured it: its steady clock started elsewhere and cannot be compared
  const isSamePage = known.origin === now.origin;
  if (isSamePage && Math.abs(passed - (now.steady - known.at.steady)) > SMALLEST_S * 1000) {
    return null;
  }
  return known.offset_s;
}

/** A sentence about a clock that is clearly wrong; empty when it is right or nobody knows. */
export function clockWords(offset) {
  if (offset === null || Math.abs(offset) < TOLD_FROM_S) {
    return "";
  }
  const which = offset > 0 ? "behind" : "ahead of";
  return `This tablet's clock is ${spanWords(Math.abs(offset))} ${which} the server's. Times are corrected; please set the clock.`;
}

function spanWords(seconds) {
  for (const [size, one] of [
    [86_400, "day"],
    [3600, "hour"],
    [60, "minute"],
  ]) {
    if (seconds >= size) {
      const count = Math.round(seconds / size);
      return `${count} ${one}${count === 1 ? "" : "s"}`;
    }
  }
  return "";
}
