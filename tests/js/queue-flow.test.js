import assert from "node:assert/strict";
import { test } from "node:test";

import { labelOf } from "../../trials/static/trials/js/labels.js";
import { LONGEST_MS, waitFor } from "../../trials/static/trials/js/queue/backoff.js";
import { clockWords, offsetOf, offsetToWrite } from "../../trials/static/trials/js/queue/clock.js";
import { fateOf, notStoredWords, queueWords, shortWords } from "../../trials/static/trials/js/queue/flow.js";
import { missingWords } from "../../trials/static/trials/js/queue/missing.js";

test("waits grow, are spread by chance and end at a longest", () => {
  const middles = [1, 2, 3, 4].map((tries) => waitFor(tries, 0.5));
  assert.deepEqual(middles, [2000, 3200, 5120, 8192]);
  assert.equal(waitFor(1, 0), 1500);
  assert.equal(waitFor(1, 1), 2500);
  assert.equal(waitFor(400, 1), LONGEST_MS * 1.25);
  assert.equal(waitFor(1, 0.5, 60), 60_000);
});

test("a clock's offset is what has to be added to it", () => {
  const noon = Date.parse("2026-03-02T12:00:00Z");
  const answer = (tablet, tookMs) => ({ sentAt: tablet, cameAt: tablet + tookMs, serverTime: "2026-03-02T12:00:00Z" });
  assert.equal(offsetOf(answer(noon - 3_600_000, 0)), 3600);
  assert.equal(offsetOf(answer(noon + 90_000, 0)), -90);
  assert.equal(offsetOf(answer(noon - 1500, 0)), 0); // under two seconds may be the road
  assert.equal(offsetOf(answer(noon - 10_000, 16_000)), 0); // the answer took longer than the difference
  assert.equal(offsetOf({ ...answer(noon, 0), serverTime: undefined }), null);
});

test("an offset is written only while nobody seems to have set the clock since", () => {
  const known = { offset_s: 3600, at: { wall: 1_000_000, steady: 50 }, origin: 5 };
  assert.equal(offsetToWrite(known, { wall: 1_060_000, steady: 60_050, origin: 5 }), 3600);
  assert.equal(offsetToWrite(known, { wall: 4_660_000, steady: 60_050, origin: 5 }), null); // set forward by an hour
  assert.equal(offsetToWrite(known, { wall: 900_000, steady: 60_050, origin: 5 }), null); // set back
  assert.equal(offsetToWrite(known, { wall: 1_060_000, steady: 3, origin: 6 }), 3600); // another page
  assert.equal(offsetToWrite(known, { wall: 1_000_000 + 25 * 3_600_000, steady: 3, origin: 6 }), null); // a day old
  assert.equal(offsetToWrite(null, { wall: 1, steady: 1, origin: 1 }), null);
});

test("a wrong clock is told in words", () => {
  assert.match(clockWords(3660), /^This tablet's clock is 1 hour behind the server's\./);
  assert.match(clockWords(-120), /2 minutes ahead of/);
  assert.match(clockWords(-3 * 86_400), /3 days ahead of/);
  assert.equal(clockWords(59), "");
  assert.equal(clockWords(null), "");
});

test("an entry leaves only when it is kept", () => {
  const all = ["kept", "kept beside", "refused", "waits for another", "sign in", "other person", "stale token", "send again"];
  assert.deepEqual(all.filter((meaning) => fateOf(meaning).entry === "leave"), ["kept"]);
});

test("a server that is away stops the sending, a stumbling one only after three in a row", () => {
  for (const status of [0, 429, 502, 503, 504]) {
    assert.equal(fateOf("send again", { status }).go, "stop", status);
  }
  assert.equal(fateOf("send again", { status: 500, failuresInARow: 1 }).go, "on");
  assert.equal(fateOf("send again", { status: 500, failuresInARow: 2 }).go, "stop");
});

test("what waits for another waits only while that is in the queue", () => {
  assert.equal(fateOf("waits for another", { hasSupplier: true }).entry, "wait");
  assert.equal(fateOf("waits for another", { hasSupplier: false }).entry, "refuse");
});

test("the queue never says more than it knows", () => {
  const none = { waiting: 0, refused: 0, beside: 0 };
  assert.deepEqual(queueWords(none, { phase: "unknown" }), ["Nothing waits on this tablet."]);
  assert.deepEqual(queueWords(none, { phase: "idle" }), ["Everything you entered is on the server."]);
  const many = { waiting: 5000, refused: 1, beside: 2, others: [{ name: "Ana", count: 3 }] };
  assert.deepEqual(queueWords(many, { phase: "no answer", next_in_s: 8 }), [
    "5,000 entries wait on this tablet. No answer from the server; next try in 8 s.",
    "1 entry not taken by the server: look at it.",
    "2 entries kept beside another reading: to settle.",
    "3 entries of Ana wait here until Ana signs in on this tablet.",
  ]);
  assert.match(queueWords({ ...none, waiting: 1 }, { phase: "sign in" })[0], /^1 entry waits .* sign in and/);
  assert.match(queueWords({ ...none, waiting: 1 }, { phase: "other person", name: "Wat" })[0], /Wat is signed in now/);
});

test("the strip says it in a few words", () => {
  const counts = { waiting: 3, refused: 1, beside: 1 };
  assert.equal(shortWords(counts, { phase: "no answer" }), "3 waiting, no network, 2 to look at");
  assert.equal(shortWords({ waiting: 0, refused: 0, beside: 0 }, { phase: "idle" }), "Nothing waiting");
});

test("storage that is full is told, and 'kept' is not", () => {
  const words = notStoredWords(Object.assign(new Error("full"), { name: "QuotaExceededError" }));
  assert.match(words, /^Not kept: this tablet's storage is full/);
  assert.match(notStoredWords(new Error("odd")), /^Not kept/);
});

test("what is missing over plain http is told", () => {
  const safe = { isSecure: true, hasWorker: true, hasLocks: true, isPersisted: true };
  assert.deepEqual(missingWords(safe), []);
  assert.match(missingWords({ ...safe, isSecure: false, hasWorker: false, hasLocks: false, isPersisted: null })[0], /plain http/);
  assert.match(missingWords({ ...safe, isPersisted: false })[0], /has not promised/);
});

test("what was typed in a few words", () => {
  assert.equal(labelOf("timer", { seconds: "4,2", ended: "failed" }), "4,2 s, failed");
  assert.equal(labelOf("rising_steps", { held_at: 1.25, failed_at: 1.6 }, { unit: "m" }), "held at 1.25 m, failed at 1.6 m");
  assert.equal(labelOf("rising_steps", { held_at: null, failed_at: 1 }, { unit: "m" }), "failed at 1 m");
  assert.equal(labelOf("grade", { grade: 3 }, { rater: "A" }), "grade 3 (A)");
  assert.equal(labelOf("value", { below_limit: true }), "nothing seen above the limit");
  assert.equal(labelOf("odd", { a: 1, b: "x" }), "a 1, b x");
});
