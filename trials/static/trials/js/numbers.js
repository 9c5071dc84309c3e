// This module has no DOM access. Numbers as people type them at the bench.
// The server reads what was typed once more; here it is read only to show a net or to catch an empty box at once.

/** The number in a text with a decimal point or one decimal comma, or null when it is none. */
export function parseNumber(text) {
  const plain = text.replace(/\s/gu, "").replace("\u2212", "-");
  const pointed = plain.includes(".") ? plain : plain.replace(",", ".");
  return /^[+-]?(\d+\.?\d*|\.\d+)$/u.test(pointed) ? Number(pointed) : null;
}

/** A number as people write it: no exponent, no binary dust, a true minus. */
export function plain(number) {
  return String(Number(number.toFixed(6))).replace("-", "\u2212");
}

/** What was gained between two typed masses, or null while one of them is no number. */
export function netOf(before, after) {
  const [low, high] = [parseNumber(before), parseNumber(after)];
  return low === null || high === null ? null : Number((high - low).toFixed(6));
}
