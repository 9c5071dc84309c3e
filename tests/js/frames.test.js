import assert from "node:assert/strict";
import { test } from "node:test";

import { frameAt, momentOf, momentText, stepped } from "../../trials/static/trials/js/frames.js";

test("a step is one frame, and ends at both ends of the film", () => {
  // 25 frames a second: a frame lasts 0.04 s
  assert.equal(stepped(1.0, 1, 25, 10), 1.04);
  assert.equal(stepped(1.0, -1, 25, 10), 0.96);
  assert.equal(stepped(0, -1, 25, 10), 0);
  assert.equal(stepped(10, 5, 25, 10), 10);
  assert.equal(stepped(3, 1, 25, Number.NaN), 3.04);
});

test("a frame is shown until the next one begins", () => {
  assert.equal(frameAt(1.0, 25), 25);
  assert.equal(frameAt(1.039, 25), 25);
  assert.equal(frameAt(1.04, 25), 26);
  assert.equal(momentText(momentOf(26, 25)), "1.040");
});
