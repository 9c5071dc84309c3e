import assert from "node:assert/strict";
import test from "node:test";

import { clockWords, lastRun, watchAt } from "../../trials/static/trials/js/watch-time.js";

const MIN = 60_000;
const noon = Date.parse("2026-03-02T12:00:00Z");

test("it runs from the last run of the method for the minutes the method names", () => {
  const at = (now, keptFrom = []) => watchAt({ minutes: 60, lastAt: noon, keptFrom, now });
  assert.deepEqual(at(noon + 15 * MIN), { phase: "running", left_ms: 45 * MIN, until: noon + 60 * MIN });
  assert.equal(at(noon + 59 * MIN + 59_000).phase, "running");
  assert.equal(at(noon + 60 * MIN).phase, "over");
  // the tablet slept over the end: it is still said
  assert.equal(at(noon + 300 * MIN).phase, "over");
});

test("one that was kept is not asked for again, and a later run starts a new one", () => {
  const kept = [noon];
  assert.equal(watchAt({ minutes: 60, lastAt: noon, keptFrom: kept, now: noon + 61 * MIN }).phase, "none");
  const next = { minutes: 60, lastAt: noon + 90 * MIN, keptFrom: kept, now: noon + 95 * MIN };
  assert.deepEqual(watchAt(next), { phase: "running", left_ms: 55 * MIN, until: noon + 150 * MIN });
});

test("nothing was run, or yesterday: nothing is counted down", () => {
  assert.equal(watchAt({ minutes: 60, lastAt: null, keptFrom: [], now: noon }).phase, "none");
  assert.equal(watchAt({ minutes: 60, lastAt: noon, keptFrom: [], now: noon + 25 * 60 * MIN }).phase, "none");
});

test("the last run is the latest of the page's and this tablet's, by the server's clock", () => {
  const entries = [
    { kind: "reading", made_at: noon + 5 * MIN, clock_offset_s: 120 },
    { kind: "photo", made_at: noon + 50 * MIN, clock_offset_s: 0 },
    { kind: "reading", made_at: noon + 6 * MIN, clock_offset_s: null },
  ];
  assert.equal(lastRun("2026-03-02T12:00:00Z", entries), noon + 7 * MIN);
  assert.equal(lastRun("2026-03-02T13:00:00Z", entries), noon + 60 * MIN);
  assert.equal(lastRun(null, []), null);
});

test("time left in words of a clock", () => {
  assert.equal(clockWords(60 * MIN), "1:00:00");
  assert.equal(clockWords(27 * MIN + 3_100), "27:04");
  assert.equal(clockWords(0), "0:00");
});
