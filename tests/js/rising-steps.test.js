import assert from "node:assert/strict";
import { test } from "node:test";

import {
  bracket,
  bracketWords,
  mayTry,
  nextLevel,
  record,
  stepsOf,
  undo,
} from "../../trials/static/trials/js/rising-steps.js";

const LEVELS = [0.8, 1, 1.25, 1.6];
const say = (level) => `${level} m`;

function after(...tried) {
  return tried.reduce((steps, [level, outcome]) => record(steps, level, outcome), []);
}

test("held at one level and failed at the next is a bracket", () => {
  const steps = after([1, "held"], [1.25, "failed"]);
  assert.deepEqual(bracket(steps), { held_at: 1, failed_at: 1.25 });
  assert.equal(bracketWords(LEVELS, steps, say), "Held at 1 m, failed at 1.25 m.");
});

test("after a level held, the next one is proposed", () => {
  assert.equal(nextLevel(LEVELS, []), null);
  assert.equal(nextLevel(LEVELS, after([1, "held"])), 1.25);
  assert.equal(nextLevel(LEVELS, after([1, "held"], [1.6, "held"])), null);
  assert.equal(bracketWords(LEVELS, after([1, "held"]), say), "Held at 1 m. Next: 1.25 m.");
});

test("the first failure ends it", () => {
  const steps = after([1, "failed"]);
  assert.equal(nextLevel(LEVELS, steps), null);
  assert.equal(mayTry(steps, 1.6), false);
  assert.deepEqual(record(steps, 1.6, "held"), steps);
  assert.deepEqual(bracket(steps), { held_at: null, failed_at: 1 });
  assert.equal(bracketWords(LEVELS, steps, say), "Failed at 1 m, the first level tried.");
});

test("steps only rise", () => {
  const steps = after([1.25, "held"]);
  assert.equal(mayTry(steps, 1), false);
  assert.equal(mayTry(steps, 1.25), false);
  assert.equal(mayTry(steps, 1.6), true);
});

test("all levels held has no upper end", () => {
  const steps = after(...LEVELS.map((level) => [level, "held"]));
  assert.deepEqual(bracket(steps), { held_at: 1.6, failed_at: null });
  assert.equal(bracketWords(LEVELS, steps, say), "Held at 1.6 m, the highest level.");
});

test("the last step can be taken back", () => {
  const steps = after([1, "held"], [1.25, "failed"]);
  assert.deepEqual(undo(steps), after([1, "held"]));
  assert.deepEqual(undo([]), []);
  assert.deepEqual(bracket([]), { held_at: null, failed_at: null });
});

test("a kept entry becomes its steps again", () => {
  for (const raw of [
    { held_at: 1, failed_at: 1.25 },
    { held_at: 1, failed_at: null },
    { held_at: null, failed_at: 1 },
  ]) {
    assert.deepEqual(bracket(stepsOf(raw)), raw);
  }
  assert.deepEqual(stepsOf({ held_at: "1" }), [{ level: 1, outcome: "held" }]);
});
