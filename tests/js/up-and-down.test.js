import assert from "node:assert/strict";
import { test } from "node:test";

import { gathered, nextLevel, plotted, shotWords } from "../../trials/static/trials/js/up-and-down.js";

const LEVELS = [21, 24, 27, 30, 33];
const RULE = { start: 24, up_and_down: true };
const say = (level) => `${level} J`;
const shots = (...list) => list.map(([level, outcome], at) => ({ run: at, level, outcome, at }));

test("the first shot is at the start, and nothing is proposed without one", () => {
  assert.equal(nextLevel(LEVELS, [], RULE), 24);
  assert.equal(nextLevel(LEVELS, [], {}), null);
  assert.equal(nextLevel(LEVELS, [], { start: 25 }), null);
});

test("a worked sequence of twelve shots is followed level by level", () => {
  // o held, x failed: 24 o, 27 o, 30 x, 27 x, 24 o, 27 o, 30 o, 33 x, 30 x, 27 o, 30 o, 33 x
  const levels = [24, 27, 30, 27, 24, 27, 30, 33, 30, 27, 30, 33];
  const seen = [..."ooxxoooxxoox"].map((one) => (one === "o" ? "held" : "failed"));
  for (let done = 0; done < levels.length; done += 1) {
    const before = shots(...levels.slice(0, done).map((level, at) => [level, seen[at]]));
    assert.equal(nextLevel(LEVELS, before, RULE), levels[done], `shot ${done + 1}`);
  }
});

test("the order of arrival does not matter, the order of shooting does", () => {
  const [first, second] = shots([24, "held"], [27, "failed"]);
  assert.equal(nextLevel(LEVELS, [second, first], RULE), 24);
});

test("beyond the ends it stays at the end, and says so", () => {
  const top = shots([33, "held"]);
  assert.equal(nextLevel(LEVELS, top, RULE), 33);
  assert.match(shotWords(LEVELS, top, say, RULE, 12), /held at 33 J, the highest level: the same again/);
  assert.equal(nextLevel(LEVELS, shots([21, "failed"]), RULE), 21);
  assert.equal(nextLevel(LEVELS, shots([24, "held"]), { ...RULE, stride: 2 }), 30);
});

test("what waits on the tablet counts, once a run, and an amendment keeps its run's place", () => {
  const told = [{ run: 1, level: 24, outcome: "held", at: 100 }];
  const entered = [
    { run: 2, raw: { level: "27", outcome: "failed" }, at: 300 },
    { run: 1, raw: { level: "24", outcome: "held" }, at: 100 },
    { run: 2, raw: { level: "27", outcome: "held" }, at: 200 },
    { run: 1, raw: { level: "24", outcome: "failed" }, at: 400 },
  ];
  assert.deepEqual(
    gathered(told, entered).map(({ run, level, outcome, at }) => [run, level, outcome, at]),
    [
      [1, 24, "failed", 100],
      [2, 27, "failed", 200],
    ],
  );
});

test("a run that was made void is no shot", () => {
  const told = [
    { run: 1, level: 24, outcome: "held", at: 100 },
    { run: 2, level: 27, outcome: "failed", at: 200 },
  ];
  const found = gathered(told, [{ run: 2, raw: null, at: 300 }]);
  assert.equal(nextLevel(LEVELS, found, RULE), 27);
});

test("the words count the shots and say why", () => {
  assert.equal(shotWords(LEVELS, [], say, RULE, 12), "Shot 1 of 12. Start at 24 J.");
  assert.equal(
    shotWords(LEVELS, shots([24, "held"]), say, RULE, 12),
    "Shot 2 of 12. The last one held at 24 J, so 27 J now.",
  );
  assert.equal(
    shotWords(LEVELS, shots([24, "held"], [27, "failed"]), say, RULE, 3),
    "Shot 3 of 3. The last one failed at 27 J, so 24 J now.",
  );
  assert.match(shotWords(LEVELS, shots([25, "held"]), say, RULE, 2), /none of the levels/);
});

test("it ends at the planned number of shots, and says where one more would go", () => {
  const done = shots([24, "held"], [27, "failed"]);
  assert.equal(
    shotWords(LEVELS, done, say, RULE, 2),
    "All 2 planned shots of this arm are done: stop here. One more would be at 24 J.",
  );
});

test("the drawing has a column a shot and a row a level, the highest on top", () => {
  const { width, height, rows, marks } = plotted(LEVELS, shots([24, "held"], [27, "failed"], [25, "held"]), 12);
  assert.deepEqual([width, height], [240, 100]);
  assert.deepEqual(rows[0], { level: 21, y: 90 });
  assert.deepEqual(rows.at(-1), { level: 33, y: 10 });
  // the third was at none of the levels: no mark, and its column stays free
  assert.deepEqual(marks, [
    { x: 10, y: 70, outcome: "held" },
    { x: 30, y: 50, outcome: "failed" },
  ]);
});
