// This module has no DOM access. A counter of turns whose number may also be typed.

const MOST = 1_000_000;

/** The text of the counter after one more turn. What is no whole number counts as nothing yet. */
export function up(text) {
  return String(Math.min(count(text) + 1, MOST));
}

/** The text of the counter with the last turn taken back; it never goes below nothing. */
export function down(text) {
  const left = Math.max(0, count(text) - 1);
  return left === 0 ? "" : String(left);
}

/** How a count is told by vibration, in milliseconds: one short pulse, a long one at each ten. */
export function pulse(text) {
  return count(text) % 10 === 0 ? 180 : 40;
}

/** The pitch of the count's tone in hertz: higher at each ten, so that the ear keeps count too. */
export function pitch(text) {
  return count(text) % 10 === 0 ? 1320 : 880;
}

function count(text) {
  return /^\d+$/u.test(text.trim()) ? Number(text) : 0;
}
