import assert from "node:assert/strict";
import { test } from "node:test";

import { READY, buttonWords, elapsed, press } from "../../trials/static/trials/js/stopwatch.js";

const at = (steady, wall = steady) => ({ steady, wall });

test("one button starts, stops and starts over", () => {
  const running = press(READY, at(1000));
  assert.equal(running.phase, "running");
  const stopped = press(running, at(5200));
  assert.deepEqual(stopped, { phase: "stopped", startedAt: null, seconds: 4.2, slept: false });
  const again = press(stopped, at(9000));
  assert.equal(again.phase, "running");
  assert.equal(press(again, at(9500)).seconds, 0.5);
  assert.deepEqual([READY, running, stopped].map(buttonWords), ["Start", "Stop", "Start over"]);
});

test("a running watch can be read without stopping it", () => {
  const running = press(READY, at(0));
  assert.equal(elapsed(running, at(1500)).seconds, 1.5);
  assert.equal(running.phase, "running");
});

test("a tablet that slept is told apart from one that ran", () => {
  const running = press(READY, at(0, 0));
  assert.equal(press(running, at(2000, 32_000)).slept, true);
  assert.equal(press(running, at(2000, 2300)).slept, false);
  // the wall clock was set back while the watch ran
  assert.equal(press(running, at(2000, -60_000)).slept, true);
});

test("time never runs backwards", () => {
  assert.equal(press(press(READY, at(1000)), at(999)).seconds, 0);
});
