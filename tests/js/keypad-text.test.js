// What a press on the bench's number pad does. The expected texts are what a pocket calculator would show (common practice, no source).

import assert from "node:assert/strict";
import { test } from "node:test";

import { press } from "../../labsite/static/labsite/js/keypad-text.js";

test("digits follow one another", () => {
  assert.equal(["8", "1", "2"].reduce(press, ""), "812");
});

test("a point alone becomes nought point", () => {
  assert.equal(press("", "."), "0.");
});

test("a second point changes nothing, whichever mark the first one was", () => {
  assert.equal(press("1.2", "."), "1.2");
  assert.equal(press("1,2", "."), "1,2");
});

test("a leading nought gives way to the next digit but not to a point", () => {
  assert.equal(press("0", "7"), "7");
  assert.equal(press("0", "."), "0.");
});

test("delete takes one character, and nothing from nothing", () => {
  assert.equal(press("12.5", "back"), "12.");
  assert.equal(press("", "back"), "");
});

test("the readout does not grow past twelve characters", () => {
  assert.equal(press("123456789012", "3"), "123456789012");
  assert.equal(press("123456789012", "back"), "12345678901");
});
