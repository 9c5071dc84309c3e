// This module has no DOM access. A reading that is possible but not usual is asked about before it is kept.

import { netOf, parseNumber } from "./numbers.js";

const READ = {
  value: (raw) => parseNumber(String(raw.value ?? "")),
  timer: (raw) => parseNumber(String(raw.seconds ?? "")),
  tally: (raw) => parseNumber(String(raw.turns ?? "")),
  challenge: (raw) => parseNumber(String(raw.level ?? "")),
  mass_gain: (raw) => netOf(String(raw.before_g ?? ""), String(raw.after_g ?? "")),
};

const FIELD = { value: "value", timer: "seconds", tally: "turns", challenge: "level" };

/** {field: sentence} when the method cannot read this at all, as the server would say; empty otherwise. */
export function impossible(kind, raw, range, unit) {
  const value = FIELD[kind] ? READ[kind](raw) : null;
  if (value === null || isUsual(value, range)) {
    return {};
  }
  return {
    [FIELD[kind]]: `${say(value)} ${unit} is outside what this method can read (${say(range.low)} to ${say(range.high)} ${unit}).`,
  };
}

/**
 * A question about a raw entry, or null. `usual` is {low, high} in the method's unit, either of them null.
 * A slip of ten or of two swapped digits that would be usual is named, because it is the likeliest.
 */
export function doubtAbout(kind, raw, usual, unit) {
  const value = READ[kind]?.(raw) ?? null;
  if (value === null || isUsual(value, usual)) {
    return null;
  }
  const range = rangeWords(usual, unit);
  const meant = kind === "mass_gain" ? null : likely(value, usual);
  const ask = meant === null ? "" : ` Did you mean ${say(meant)} ${unit}?`;
  return `${say(value)} ${unit} is possible but unusual: this method usually reads ${range}.${ask} Look again.`;
}

/** What goes into the note when the person says that it is right. */
export const LOOKED_AGAIN = "Outside the usual range; looked at again and confirmed.";

function isUsual(value, { low, high }) {
  return (low === null || value >= low) && (high === null || value <= high);
}

function rangeWords({ low, high }, unit) {
  if (low === null) {
    return `at most ${say(high)} ${unit}`;
  }
  return high === null ? `at least ${say(low)} ${unit}` : `from ${say(low)} to ${say(high)} ${unit}`;
}

function likely(value, usual) {
  const text = String(value);
  const swapped = [...text].slice(0, -1).map((_, at) => {
    const digits = [...text];
    [digits[at], digits[at + 1]] = [digits[at + 1], digits[at]];
    return Number(digits.join(""));
  });
  const candidates = [value / 10, value * 10, value / 100, value * 100, ...swapped];
  return candidates.find((one) => Number.isFinite(one) && one !== value && isUsual(one, usual)) ?? null;
}

function say(number) {
  return String(Number(number.toPrecision(6)));
}
