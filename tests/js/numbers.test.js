import assert from "node:assert/strict";
import { test } from "node:test";

import { netOf, numberProblem, parseNumber, plain } from "../../trials/static/trials/js/numbers.js";

test("numbers are read with a point, a decimal comma and spaces from copied tables", () => {
  assert.equal(parseNumber("4.2"), 4.2);
  assert.equal(parseNumber("4,2"), 4.2);
  assert.equal(parseNumber(" 1\u2009234,5 "), 1234.5);
  assert.equal(parseNumber(".5"), 0.5);
  assert.equal(parseNumber("7."), 7);
  assert.equal(parseNumber("\u22123"), -3);
});

test("what is no number is none", () => {
  for (const text of ["", " ", "x", "1e3", "NaN", "Infinity", "1,2,3", "1.2.3", "1,234.5", "0x10", "--1", ".", "²"]) {
    assert.equal(parseNumber(text), null, text);
  }
});

test("a comma before three digits is asked about, not guessed", () => {
  for (const text of ["1,234", "12,345", "999,000", "-1,234", "1 2,345"]) {
    assert.equal(parseNumber(text), null, text);
    assert.match(numberProblem(text), /two ways/u, text);
  }
  assert.match(numberProblem("1,234"), /1\.234 or 1234/u);
  // nobody writes a thousand with a leading nought, with four digits before the comma or with two after it
  for (const [text, number] of [["0,234", 0.234], ["1234,567", 1234.567], ["1,23", 1.23], ["1.234", 1.234]]) {
    assert.equal(parseNumber(text), number);
    assert.equal(numberProblem(text), "");
  }
  assert.equal(numberProblem("x"), "'x' is not a number.");
});

test("the net of two typed masses has no binary dust", () => {
  // 815.6 - 812.1 is 3.4999999999999 in binary floating point
  assert.equal(netOf("812.1", "815,6"), 3.5);
  assert.equal(netOf("10", "9.9"), -0.1);
  assert.equal(netOf("", "9.9"), null);
  assert.equal(netOf("x", "9.9"), null);
});

test("numbers are written without exponent and with a true minus", () => {
  assert.equal(plain(3.5), "3.5");
  assert.equal(plain(-0.1), "\u22120.1");
  assert.equal(plain(0.1 + 0.2), "0.3");
});
