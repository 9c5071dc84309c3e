import assert from "node:assert/strict";
import { test } from "node:test";

import { completed, fitting, inserted, openFigure } from "../../reports/static/reports/episode/completion.js";
import { compared } from "../../reports/static/reports/episode/diff.js";
import { stillThere, stretches } from "../../reports/static/reports/episode/marks.js";
import { moved, putBefore } from "../../reports/static/reports/episode/order.js";

const FIGURES = [
  { key: "belt-abrasion worn kept", label: "Abrasion, Worn: kept" },
  { key: "belt-abrasion worn range", label: "Abrasion, Worn: range of what was kept" },
  { key: "item worn price", label: "Worn: price paid" },
];
const kinds = (parts) => parts.map((part) => [part.kind, part.text]);

test("a figure is being typed between an open brace and the caret", () => {
  assert.deepEqual(openFigure("Kept {belt", 10), { start: 5, typed: "belt" });
  assert.equal(openFigure("Kept {belt-abrasion worn kept} of", 33), null);
  assert.equal(openFigure("Kept {belt\nnext", 15), null);
  assert.equal(openFigure("Kept", 4), null);
  assert.deepEqual(openFigure("{", 1), { start: 0, typed: "" });
});

test("figures fit by every word typed, those that begin so first", () => {
  assert.deepEqual(fitting(FIGURES, "worn kept").map((one) => one.key), [
    "belt-abrasion worn kept",
    "belt-abrasion worn range",
  ]);
  assert.equal(fitting(FIGURES, "item")[0].key, "item worn price");
  assert.deepEqual(fitting(FIGURES, "weight"), []);
  assert.equal(fitting(FIGURES, "", 2).length, 2);
});

test("completing takes the place of what was typed, and of a brace that closed it", () => {
  const open = openFigure("It kept {bel of it", 12);
  assert.deepEqual(completed("It kept {bel of it", 12, open, FIGURES[0].key), {
    text: "It kept {belt-abrasion worn kept} of it",
    caret: 33,
  });
  const closed = openFigure("It {bel} so", 7);
  assert.equal(completed("It {bel} so", 7, closed, "a b c").text, "It {a b c} so");
});

test("a later figure is not swallowed by completing an earlier one", () => {
  const text = "It {bel and {item worn price}";
  assert.equal(completed(text, 7, openFigure(text, 7), "a b c").text, "It {a b c} and {item worn price}");
});

test("inserting parts words, and not after a bracket", () => {
  assert.equal(inserted("kept", 4, 4, "a b c").text, "kept {a b c}");
  assert.equal(inserted("kept (", 6, 6, "a b c").text, "kept ({a b c}");
  assert.equal(inserted("", 0, 0, "a b c").text, "{a b c}");
});

test("a text is cut into what is plain, a figure, a claim and a number, and nothing is lost", () => {
  const text = "It proves 5 and {a b c}.";
  const flags = [
    { rule: "proof", start: 3, end: 9 },
    { rule: "typed-number", start: 10, end: 11 },
  ];
  const parts = stretches(text, flags);
  assert.deepEqual(kinds(parts), [
    ["", "It "],
    ["claim", "proves"],
    ["", " "],
    ["number", "5"],
    ["", " and "],
    ["figure", "{a b c}"],
    ["", "."],
  ]);
  assert.deepEqual(kinds(stretches("It proves", [{ rule: "proof", start: 3, end: 9, stand: "why" }])), [
    ["", "It proves"],
  ]);
  assert.deepEqual(stretches("", flags), []);
});

test("marks move with the words behind a change and go with the words inside it", () => {
  const flags = [
    { start: 0, end: 4 },
    { start: 10, end: 14 },
  ];
  const before = "safe then safe.";
  assert.deepEqual(stillThere(flags, before, "safe and then safe."), [
    { start: 0, end: 4 },
    { start: 14, end: 18 },
  ]);
  assert.deepEqual(stillThere(flags, before, "safe then saXfe."), [{ start: 0, end: 4 }]);
});

test("two texts are compared by words and give both back", () => {
  const theirs = "The worn pair kept less of it.";
  const mine = "The worn pair kept much less of all of it.";
  const parts = compared(theirs, mine);
  assert.equal(parts.filter((p) => p.kind !== "mine").map((p) => p.text).join(""), theirs);
  assert.equal(parts.filter((p) => p.kind !== "theirs").map((p) => p.text).join(""), mine);
  assert.ok(parts.some((part) => part.kind === "mine" && part.text.includes("much")));
  assert.deepEqual(compared("same", "same"), [{ kind: "same", text: "same" }]);
  assert.deepEqual(compared("", ""), []);
});

test("a list keeps its entries whatever is moved", () => {
  assert.deepEqual(moved([1, 2, 3], 2, -1), [2, 1, 3]);
  assert.deepEqual(moved([1, 2, 3], 3, 1), [1, 2, 3]);
  assert.deepEqual(moved([1, 2, 3], 9, 1), [1, 2, 3]);
  assert.deepEqual(putBefore([1, 2, 3], 3, 1), [3, 1, 2]);
  assert.deepEqual(putBefore([1, 2, 3], 1, 9), [2, 3, 1]);
  assert.deepEqual(putBefore([1, 2, 3], 2, 2), [1, 2, 3]);
});
