// This module has no DOM access. The quantity a method derives from what is typed, such as the distance of a time
// on the belt: `law` is {factor, power, words, unit}, fixed with the method's revision, so it needs no network.

import { parseNumber } from "./numbers.js";

const FIGURES = 3;

/** The derived quantity of a typed text, or null while the text is no number above zero. */
export function derivedOf(law, text) {
  const typed = typeof text === "number" ? text : parseNumber(text);
  if (typed === null || !(typed > 0)) {
    return null;
  }
  const value = law.factor * typed ** law.power;
  return Number.isFinite(value) ? value : null;
}

/** The derived quantity in words, or what will stand there. */
export function derivedWords(law, text) {
  const value = derivedOf(law, text);
  const name = law.words[0].toUpperCase() + law.words.slice(1);
  return value === null ? `${name}: shown as you type.` : `${name}: ${figures(value)}\u00a0${law.unit}`;
}

/** A number to three significant figures, without an exponent. */
export function figures(value) {
  const digits = Math.floor(Math.log10(Math.abs(value)));
  if (digits >= FIGURES) {
    return String(Math.round(value));
  }
  return value.toFixed(Math.min(12, FIGURES - 1 - digits));
}
