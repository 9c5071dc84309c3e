import assert from "node:assert/strict";
import { test } from "node:test";

import {
  bracket,
  bracketWords,
  isDone,
  mayTry,
  nextLevel,
  record,
  remarks,
  stepsOf,
  undo,
} from "../../trials/static/trials/js/rising-steps.js";

const LEVELS = [0.8, 1, 1.25, 1.6];
const say = (level) => `${level} m`;

function after(...tried) {
  return tried.reduce((steps, [level, outcome]) => record(LEVELS, steps, level, outcome), []);
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
  assert.equal(mayTry(LEVELS, steps, 1.6), false);
  assert.deepEqual(record(LEVELS, steps, 1.6, "held"), steps);
  assert.deepEqual(bracket(steps), { held_at: null, failed_at: 1 });
  assert.equal(bracketWords(LEVELS, steps, say), "Failed at 1 m, the first level tried.");
});

test("steps only rise", () => {
  const steps = after([1.25, "held"]);
  assert.equal(mayTry(LEVELS, steps, 1), false);
  assert.equal(mayTry(LEVELS, steps, 1.25), false);
  assert.equal(mayTry(LEVELS, steps, 1.6), true);
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

// levels of the R10 series; the rule: start at 1, two at a time, back between after a failure, 1.3 is narrow enough
const R10 = [1, 1.25, 1.6, 2, 2.5, 3.15, 4, 5, 6.3, 8, 10];
const RULE = { start: 1, stride: 2, may_return: true, enough: 1.3 };
const tried = (...steps) =>
  steps.reduce((so, [level, outcome]) => record(R10, so, level, outcome, RULE), []);

test("the rule says where to start, how far to rise and where to go back to", () => {
  assert.equal(nextLevel(R10, [], RULE), 1);
  assert.equal(bracketWords(R10, [], say, RULE), "Nothing tried yet. Start at 1 m.");
  assert.equal(nextLevel(R10, tried([1, "held"]), RULE), 1.6);
  assert.equal(nextLevel(R10, tried([1, "held"], [1.6, "held"], [2.5, "failed"]), RULE), 2);
  assert.equal(
    bracketWords(R10, tried([1.6, "held"], [2.5, "failed"]), say, RULE),
    "Held at 1.6 m, failed at 2.5 m. Next: 2 m, on a fresh site.",
  );
});

test("it stops when failed over held is narrow enough", () => {
  // 2.5 / 2 is 1.25, at most 1.3
  const steps = tried([1.6, "held"], [2.5, "failed"], [2, "held"]);
  assert.equal(isDone(R10, steps, RULE), true);
  assert.equal(nextLevel(R10, steps, RULE), null);
  assert.deepEqual(bracket(steps), { held_at: 2, failed_at: 2.5 });
  assert.match(bracketWords(R10, steps, say, RULE), /Narrow enough: stop here/u);
  assert.equal(remarks(steps, say), "Steps: 1.6 m held, 2.5 m failed, 2 m held.");
  assert.equal(remarks(steps.slice(0, 2), say), "");
});

test("a second failure lower down narrows the bracket from above", () => {
  const steps = tried([1, "held"], [2.5, "failed"], [1.6, "failed"]);
  assert.deepEqual(bracket(steps), { held_at: 1, failed_at: 1.6 });
  assert.equal(nextLevel(R10, steps, RULE), 1.25);
  assert.equal(mayTry(R10, steps, 2, RULE), false);
});

test("a failure at the first level tried looks for a level below it", () => {
  assert.equal(nextLevel(R10, tried([4, "failed"]), RULE), 1.6);
  assert.equal(isDone(R10, tried([1, "failed"]), RULE), true);
});

test("a stride never goes past the top", () => {
  assert.equal(nextLevel(R10, tried([8, "held"]), RULE), 10);
  assert.equal(nextLevel(R10, tried([10, "held"]), RULE), null);
});
