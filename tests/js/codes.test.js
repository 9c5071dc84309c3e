import assert from "node:assert/strict";
import { test } from "node:test";

import { codeInLabel, compare, readBlindCode, readCode } from "../../trials/static/trials/js/codes.js";

// Worked by hand from the rule: A=8, B=9, C=10, D=11 in the alphabet without 0, 1, I, L, O;
// 2*8 + 3*9 + 5*10 + 7*11 = 170 = 5*31 + 15, and place 15 is H.
test("a code is read in any case, with or without its dash", () => {
  for (const text of ["ABCD-H", "abcdh", " AB CD-H "]) {
    assert.deepEqual(readCode(text), { code: "ABCD-H" });
  }
});

test("each single wrong character and each swap of neighbours is caught", () => {
  const alphabet = "23456789ABCDEFGHJKMNPQRSTUVWXYZ";
  const right = "ABCDH";
  for (let at = 0; at < 5; at += 1) {
    for (const other of alphabet) {
      if (other !== right[at]) {
        assert.ok(readCode(right.slice(0, at) + other + right.slice(at + 1)).problem, `${other} at ${at}`);
      }
    }
  }
  for (let at = 0; at < 4; at += 1) {
    const swapped = right.slice(0, at) + right[at + 1] + right[at] + right.slice(at + 2);
    assert.ok(readCode(swapped).problem, swapped);
  }
});

test("what cannot be a code is told in words", () => {
  assert.match(readCode("ABC").problem, /five characters/u);
  assert.match(readCode("AB0DH").problem, /check each character/u);
});

test("a tag of a blind study is a number", () => {
  assert.deepEqual(readBlindCode("item 37"), { code: "Item 37" });
  assert.deepEqual(readBlindCode(" 37"), { code: "Item 37" });
  assert.match(readBlindCode("ABCD-H").problem, /blind/u);
});

test("a label holds the code or an address that ends in it", () => {
  assert.equal(codeInLabel("ABCD-H"), "ABCD-H");
  assert.equal(codeInLabel("https://lab.example/s/ABCD-H/"), "ABCD-H");
  assert.equal(codeInLabel("https://lab.example/s/Item%2037"), "Item 37");
  assert.equal(codeInLabel("%zz"), "%zz");
});

test("another specimen is refused with both codes in the sentence", () => {
  const run = { wanted: "ABCD-H", isBlind: false };
  assert.equal(compare("abcdh", run).isRight, true);
  // E=12, F=13, G=14, H=15: 24 + 39 + 70 + 105 = 238 = 7*31 + 21, and place 21 is Q
  const other = compare("EFGH-Q", run);
  assert.equal(other.isRight, false);
  assert.match(other.problem, /this is EFGH-Q, and this run wants ABCD-H/u);
});
