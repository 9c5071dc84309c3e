// Checks by hand: two traces of two and one readings.
import assert from "node:assert/strict";
import { test } from "node:test";
import { stepTo, wordsOf } from "../../reports/static/reports/chart-steps.js";

const figure = {
  data: [
    { name: "New", x: [1, 2], y: ["A", "B"], text: ["1 g", "2 g"] },
    { name: "void", x: [3], y: ["C"], text: ["3 g"] },
  ],
};

test("arrow keys move one reading and stop at the ends", () => {
  assert.equal(stepTo(figure, -1, "ArrowRight"), 0);
  assert.equal(stepTo(figure, 0, "ArrowLeft"), 0);
  assert.equal(stepTo(figure, 1, "ArrowDown"), 2);
  assert.equal(stepTo(figure, 2, "ArrowRight"), 2);
  assert.equal(stepTo(figure, 0, "End"), 2);
  assert.equal(stepTo(figure, 2, "Home"), 0);
});

test("other keys are left to the browser", () => {
  assert.equal(stepTo(figure, 0, "Tab"), null);
});

test("a reading is told with its item, its arm and its words", () => {
  assert.deepEqual(wordsOf(figure, 1), { words: "B, New, 2 g", curve: 0, point: 1 });
  assert.deepEqual(wordsOf(figure, 2), { words: "C, void, 3 g", curve: 1, point: 0 });
  assert.throws(() => wordsOf(figure, 3), RangeError);
});
