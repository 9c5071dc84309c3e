import assert from "node:assert/strict";
import { test } from "node:test";

import { entryOf } from "../../trials/static/trials/js/entries.js";

test("what was typed is sent as it was typed", () => {
  const kept = [
    ["value", { value: "4,2", below_limit: false }, { value: "4,2" }],
    ["value", { value: "", below_limit: true }, { below_limit: true }],
    ["timer", { seconds: "4.20", ended: "failed" }, { seconds: "4.20", ended: "failed" }],
    ["tally", { turns: "7", ended: "stopped" }, { turns: "7", ended: "stopped" }],
    ["rising_steps", { held_at: 1, failed_at: null }, { held_at: 1, failed_at: null }],
    ["challenge", { level: "5", outcome: "held" }, { level: "5", outcome: "held" }],
    ["mass_gain", { before_g: "812.1", after_g: "815.6" }, { before_g: "812.1", after_g: "815.6" }],
    ["grade", { grade: "3", rater: "A" }, { grade: 3 }],
  ];
  for (const [kind, typed, raw] of kept) {
    assert.deepEqual(entryOf(kind, typed), { raw, problems: {} }, kind);
  }
});

test("what is missing is told beside its field, all at once", () => {
  const empty = {
    value: ["value"],
    timer: ["ended", "seconds"],
    tally: ["ended", "turns"],
    rising_steps: ["held_at"],
    challenge: ["level", "outcome"],
    mass_gain: ["after_g", "before_g"],
    grade: ["grade", "rater"],
  };
  for (const [kind, fields] of Object.entries(empty)) {
    assert.deepEqual(Object.keys(entryOf(kind, {}).problems).sort(), fields, kind);
  }
});

test("text in a number is told", () => {
  assert.equal(entryOf("timer", { seconds: "fast", ended: "failed" }).problems.seconds, "'fast' is not a number.");
});

test("a value and nothing seen exclude each other", () => {
  assert.ok(entryOf("value", { value: "3", below_limit: true }).problems.value);
});
