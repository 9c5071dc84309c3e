import assert from "node:assert/strict";
import { test } from "node:test";

import { READY, buttonWords, elapsed, press, remarks, split, undo } from "../../trials/static/trials/js/stopwatch.js";

const at = (steady, wall = steady, origin = 1) => ({ steady, wall, origin });

test("one button starts, stops and starts over", () => {
  const running = press(READY, at(1000));
  assert.equal(running.phase, "running");
  const stopped = press(running, at(5200));
  assert.equal(stopped.phase, "stopped");
  assert.equal(stopped.seconds, 4.2);
  assert.equal(stopped.slept, false);
  const again = press(stopped, at(9000));
  assert.equal(again.phase, "running");
  assert.equal(press(again, at(9500)).seconds, 0.5);
  assert.deepEqual([READY, running, stopped].map(buttonWords), ["Start", "Stop", "Start over"]);
});

test("a finger that bounces on stop does not lose the time", () => {
  const stopped = press(press(READY, at(0)), at(4200));
  assert.equal(press(stopped, at(4700)), stopped);
  assert.equal(press(stopped, at(5100)).phase, "running");
});

test("a stop taken back runs on, and a start over taken back has its time again", () => {
  const stopped = press(press(READY, at(0)), at(4200));
  assert.equal(press(undo(stopped), at(6000)).seconds, 6);
  assert.equal(undo(press(stopped, at(9000))).seconds, 4.2);
  assert.equal(undo(press(READY, at(0))).phase, "ready");
  assert.equal(undo(READY), READY);
});

test("splits are noted while it runs and can be taken back", () => {
  const running = split(split(press(READY, at(0)), at(1500)), at(3250));
  assert.deepEqual(running.splits, [1.5, 3.25]);
  assert.deepEqual(undo(running).splits, [1.5]);
  const stopped = press(running, at(4000));
  assert.deepEqual(split(stopped, at(5000)), stopped);
  assert.equal(remarks(stopped, "4.0", 1), "Splits: 1.5 s, 3.3 s.");
  assert.equal(remarks(stopped, "3.8", 1), "Splits: 1.5 s, 3.3 s. The stopwatch showed 4.0 s.");
  assert.equal(remarks(READY, "3.8", 1), "");
});

test("a running watch can be read without stopping it", () => {
  const running = press(READY, at(0));
  assert.equal(elapsed(running, at(1500)).seconds, 1.5);
  assert.equal(running.phase, "running");
});

test("while the tablet sleeps the wall clock counts, and it is said", () => {
  const running = press(READY, at(0, 0));
  const slept = press(running, at(2000, 32_000));
  assert.equal(slept.seconds, 32);
  assert.equal(slept.slept, true);
  assert.match(remarks(slept, "32.0", 1), /over the tablet's sleep/u);
  assert.equal(press(running, at(2000, 2300)).seconds, 2);
  assert.equal(press(running, at(2000, 2300)).slept, false);
});

test("a wall clock set back does not shorten the time", () => {
  const stopped = press(press(READY, at(0, 0)), at(2000, -60_000));
  assert.equal(stopped.seconds, 2);
  assert.equal(stopped.slept, true);
});

test("a page loaded anew has another steady clock, so the wall clock counts", () => {
  const stopped = press(press(READY, at(90_000, 1_000_000, 1)), at(500, 1_007_500, 2));
  assert.equal(stopped.seconds, 7.5);
  assert.equal(stopped.slept, true);
});

test("a watch survives being written down", () => {
  const running = JSON.parse(JSON.stringify(split(press(READY, at(0)), at(1000))));
  assert.equal(press(running, at(2000)).seconds, 2);
});

test("time never runs backwards", () => {
  assert.equal(press(press(READY, at(1000)), at(999)).seconds, 0);
});
