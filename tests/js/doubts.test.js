import assert from "node:assert/strict";
import { test } from "node:test";

import { doubtAbout, impossible } from "../../trials/static/trials/js/doubts.js";

const USUAL = { low: 0.5, high: 30 };

test("what is usual raises no doubt, nor does a kind without a number", () => {
  assert.equal(doubtAbout("timer", { seconds: "4,2" }, USUAL, "s"), null);
  assert.equal(doubtAbout("timer", { seconds: "30" }, USUAL, "s"), null);
  assert.equal(doubtAbout("grade", { grade: 3 }, USUAL, "grade"), null);
  assert.equal(doubtAbout("value", { below_limit: true }, USUAL, "N"), null);
  assert.equal(doubtAbout("timer", { seconds: "400" }, { low: null, high: null }, "s"), null);
});

test("a slip of the point is named", () => {
  assert.match(doubtAbout("timer", { seconds: "42" }, USUAL, "s"), /Did you mean 4\.2 s\?/u);
});

// story of a drop height of 0.58 m typed as 0.85 m
test("two swapped digits are named", () => {
  assert.match(doubtAbout("value", { value: "0.85" }, { low: 0.4, high: 0.6 }, "m"), /Did you mean 0\.58 m\?/u);
});

test("an open end is said in words, and the net of two masses is what is doubted", () => {
  const doubt = doubtAbout("mass_gain", { before_g: "100", after_g: "900" }, { low: null, high: 600 }, "g");
  assert.match(doubt, /^800 g is possible but unusual: this method usually reads at most 600 g\. Look again\.$/u);
});

test("what the method cannot read is told at its field, as the server tells it", () => {
  const range = { low: 0.1, high: 60 };
  assert.deepEqual(impossible("timer", { seconds: "75" }, range, "s"), {
    seconds: "75 s is outside what this method can read (0.1 to 60 s).",
  });
  assert.deepEqual(impossible("timer", { seconds: "60" }, range, "s"), {});
  assert.deepEqual(impossible("rising_steps", { held_at: 99 }, range, "m"), {});
});
