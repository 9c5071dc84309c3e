// This module has no DOM access. Numbers as people type them at the bench.
// The server reads what was typed once more; here it is read only to show a net or to catch an empty box at once.

const TWO_WAYS = /^[+-]?[1-9]\d{0,2},\d{3}$/u;

/** What is wrong with a typed number, in words; empty when it is one. */
export function numberProblem(text) {
  const bare = tidy(text);
  if (TWO_WAYS.test(bare)) {
    const [pointed, whole] = [bare.replace(",", "."), bare.replace(",", "")];
    return `'${text}' can be read in two ways. Did you mean ${pointed} or ${whole}? Type that number, with a point or without a comma.`;
  }
  return parseNumber(text) === null ? `'${text}' is not a number.` : "";
}

function tidy(text) {
  return text.replace(/\s/gu, "").replace("\u2212", "-");
}

/** The number in a text with a decimal point or one decimal comma, or null when it is none or may be two. */
export function parseNumber(text) {
  const plain = tidy(text);
  if (TWO_WAYS.test(plain)) {
    return null;
  }
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
