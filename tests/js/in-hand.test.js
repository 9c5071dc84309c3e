import assert from "node:assert/strict";
import { test } from "node:test";

import { runFor } from "../../trials/static/trials/js/in-hand.js";

const RUNS = [
  { code: "ABCD-H", words: "left sleeve, belt abrasion", address: "/bench/s/runs/1/" },
  { code: "EFGH-Q", words: "left sleeve, belt abrasion", address: "/bench/s/runs/2/" },
];
const OPEN = { isBlind: false };

test("the next specimen leads straight to its run, code and all", () => {
  assert.deepEqual(runFor("abcdh", RUNS, OPEN), { address: "/bench/s/runs/1/#code=ABCD-H" });
});

test("a later one is told to wait, and may go on with a reason", () => {
  const found = runFor("EFGH-Q", RUNS, OPEN);
  assert.equal(found.address, "/bench/s/runs/2/#code=EFGH-Q");
  assert.match(found.later, /ABCD-H comes first .* EFGH-Q is 2 in line/u);
});

test("one that has nothing to do, a wrong code and nothing at all are told", () => {
  assert.match(runFor("WXYZ-5", RUNS, OPEN).problem, /WXYZ-5|not a specimen code/u);
  assert.match(runFor("ABCD-Q", RUNS, OPEN).problem, /check each character/u);
  assert.match(runFor(" ", RUNS, OPEN).problem, /Scan the label/u);
  assert.match(runFor("", RUNS, { isBlind: true }).problem, /tag/u);
});

test("a blind study goes by the number on the tag", () => {
  const runs = [{ code: "Item 7", words: "", address: "/r/" }];
  assert.deepEqual(runFor("7", runs, { isBlind: true }), { address: "/r/#code=Item%207" });
});
