import assert from "node:assert/strict";
import { test } from "node:test";

import { meaningOf, namesEntry } from "../../trials/static/trials/js/answers.js";

const ID = "12345678-1234-4234-8234-123456789012";
const names = namesEntry(ID);
const meaning = (status, body) => meaningOf({ status, body }, names);

test("kept is believed only of an answer that names the entry", () => {
  assert.equal(meaning(201, { id: ID }), "kept");
  assert.equal(meaning(200, { id: ID }), "kept");
  assert.equal(meaning(200, { id: "another" }), "send again");
  // a network's own sign-in page answers 200 with a web page
  assert.equal(meaning(200, null), "send again");
});

test("a conflict is kept only when it says so", () => {
  assert.equal(meaning(409, { id: ID, both_kept: true, problems: {} }), "kept beside");
  assert.equal(meaning(409, { id: ID, problems: {} }), "refused");
  assert.equal(meaning(409, null), "send again");
});

test("what a person must put right is refused, everything else is sent again", () => {
  const problems = { seconds: ["Enter a number."] };
  for (const status of [400, 403, 404, 413, 415]) {
    assert.equal(meaning(status, { problems }), "refused", status);
  }
  for (const status of [0, 408, 429, 500, 502, 503]) {
    assert.equal(meaning(status, { problems }), "send again", status);
  }
  assert.equal(meaning(400, null), "send again");
});

test("an answer may name the entry beside what it made", () => {
  assert.equal(meaning(201, { id: 17, entry: ID }), "kept");
  assert.equal(meaning(201, { id: 17, entry: "another" }), "send again");
});

test("what a server waits for is no refusal", () => {
  assert.equal(meaning(400, { code: "waits", waits_for: "run", problems: {} }), "waits for another");
});

test("a sign-in that ended, another person and a stale token are told apart", () => {
  assert.equal(meaning(401, { problems: {} }), "sign in");
  assert.equal(meaning("other person", { display_name: "Wat" }), "other person");
  assert.equal(meaning(403, { code: "other person", problems: {} }), "other person");
  assert.equal(meaning(403, { code: "stale token", problems: {} }), "stale token");
});
