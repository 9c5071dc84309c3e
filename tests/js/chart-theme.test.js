// Figures from the server take the colours of the page they are drawn on.

import assert from "node:assert/strict";
import { test } from "node:test";

import { pageLayout, withTokens } from "../../reports/static/reports/chart-theme.js";

const LOOKS = { ink: "#111111", rule: "#cccccc", font: "serif", size: 14, isNarrow: false };

test("names of tokens are replaced at any depth, other text and figures stay", () => {
  const figure = { data: [{ line: { color: "--ink", width: 3 }, name: "held" }], shown: null };
  const drawn = withTokens(figure, (name) => `colour of ${name}`);
  assert.deepEqual(drawn, {
    data: [{ line: { color: "colour of --ink", width: 3 }, name: "held" }],
    shown: null,
  });
});

test("the figure from the server is left as it was", () => {
  const figure = { marker: { color: "--accent" } };
  withTokens(figure, () => "#000000");
  assert.deepEqual(figure, { marker: { color: "--accent" } });
});

test("what the figure says wins over the page", () => {
  const layout = pageLayout({ xaxis: { range: [0, 150], color: "#222222" }, yaxis: {} }, LOOKS);
  assert.equal(layout.xaxis.color, "#222222");
  assert.deepEqual(layout.xaxis.range, [0, 150]);
  assert.equal(layout.yaxis.color, "#111111");
  assert.equal(layout.paper_bgcolor, "rgba(0,0,0,0)");
});

test("names stand above their lines only in a narrow box", () => {
  const wide = pageLayout({ xaxis: {}, yaxis: {} }, LOOKS);
  const narrow = pageLayout({ xaxis: {}, yaxis: {} }, { ...LOOKS, isNarrow: true });
  assert.equal(wide.yaxis.ticklabelposition, undefined);
  assert.equal(narrow.yaxis.ticklabelposition, "inside top");
});
