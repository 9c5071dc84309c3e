import assert from "node:assert/strict";
import { test } from "node:test";

import { derivedOf, derivedWords, figures } from "../../trials/static/trials/js/derived.js";

// By hand: 4.2 s on a belt of 3 m/s are 12.6 m; 5 kg from 1 m carry 5 x 9.80665 = 49.03325 J;
// a fall of 2 m ends at sqrt(2 x 9.80665 x 2) = 6.263114 m/s; 10 degrees in 12.5 s are 0.8 degrees a second.
const distance = { factor: 3, power: 1, words: "sliding distance", unit: "m" };
const energy = { factor: 49.03325, power: 1, words: "impact energy", unit: "J" };
const speed = { factor: Math.sqrt(2 * 9.80665), power: 0.5, words: "impact velocity", unit: "m/s" };
const rate = { factor: 10, power: -1, words: "mean rate of rise", unit: "\u00b0C/s" };

test("what is typed gives its derived quantity", () => {
  assert.ok(Math.abs(derivedOf(distance, "4,2") - 12.6) < 1e-9);
  assert.ok(Math.abs(derivedOf(energy, "1") - 49.03325) < 1e-9);
  assert.ok(Math.abs(derivedOf(speed, "2") - 6.263114) < 1e-6);
  assert.ok(Math.abs(derivedOf(rate, 12.5) - 0.8) < 1e-12);
});

test("what is no number above zero gives none", () => {
  for (const text of ["", "x", "0", "-1", "1e3"]) {
    assert.equal(derivedOf(distance, text), null, text);
  }
  assert.equal(derivedOf({ ...rate, factor: 1e308 }, 1e-9), null);
});

test("words name the quantity and its unit, to three figures", () => {
  assert.equal(derivedWords(distance, "4.2"), "Sliding distance: 12.6\u00a0m");
  assert.equal(derivedWords(energy, "1"), "Impact energy: 49.0\u00a0J");
  assert.equal(derivedWords(distance, ""), "Sliding distance: shown as you type.");
  assert.equal(figures(0.01234), "0.0123");
  assert.equal(figures(123456), "123456");
});
