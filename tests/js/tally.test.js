import assert from "node:assert/strict";
import { test } from "node:test";

import { down, up } from "../../trials/static/trials/js/tally.js";

test("turns go up and down again", () => {
  assert.equal(up(""), "1");
  assert.equal(up("7"), "8");
  assert.equal(down("8"), "7");
});

test("the count never goes below nothing, and what is no count starts at nothing", () => {
  assert.equal(down("1"), "");
  assert.equal(down(""), "");
  assert.equal(up("3.5"), "1");
  assert.equal(up("-2"), "1");
  assert.equal(up("x"), "1");
});

test("turns typed by hand are counted on", () => {
  assert.equal(up(" 12 "), "13");
});
