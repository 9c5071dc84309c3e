import assert from "node:assert/strict";
import { test } from "node:test";

import { attemptFor } from "../../trials/static/trials/js/attempts.js";

const NOON = new Date("2026-03-02T12:00:00Z");
const LATER = new Date("2026-03-02T12:03:00Z");

test("the same content sent again is the same entry, to the second", () => {
  const first = attemptFor(null, "id-1", { run: 1, raw: { turns: "7" } }, NOON);
  const again = attemptFor(first, "id-1", { run: 1, raw: { turns: "7" } }, LATER);
  assert.equal(again, first);
  assert.equal(first.body.measured_at, "2026-03-02T12:00:00.000Z");
});

test("other content keeps the id and gets its own time", () => {
  const first = attemptFor(null, "id-1", { raw: { turns: "7" } }, NOON);
  const other = attemptFor(first, "id-1", { raw: { turns: "8" } }, LATER);
  assert.equal(other.id, "id-1");
  assert.equal(other.body.measured_at, "2026-03-02T12:03:00.000Z");
});

test("an amendment is an entry of its own", () => {
  const first = attemptFor(null, "id-1", { raw: {} }, NOON);
  assert.equal(attemptFor(first, "id-2", { raw: {} }, LATER).id, "id-2");
});
