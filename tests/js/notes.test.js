import assert from "node:assert/strict";
import { test } from "node:test";

import { readFilmTime } from "../../trials/static/trials/js/film-time.js";
import { joined, withPhrase } from "../../trials/static/trials/js/notes.js";

test("a phrase goes in at a tap and out at the next", () => {
  const once = withPhrase("Odd sound.", "Shell cracked.");
  assert.equal(once, "Odd sound. Shell cracked.");
  assert.equal(withPhrase(once, "Shell cracked."), "Odd sound.");
  assert.equal(withPhrase(once, "Odd sound."), "Shell cracked.");
});

test("what the instruments add is joined to what was typed", () => {
  assert.equal(joined(" Dry. ", "", undefined, "Splits: 1.0 s."), "Dry. Splits: 1.0 s.");
  assert.equal(joined("", null), "");
});

test("a moment of a film is seconds, minutes and hours", () => {
  assert.deepEqual(readFilmTime("12.5"), { seconds: 12.5 });
  assert.deepEqual(readFilmTime("1:02"), { seconds: 62 });
  assert.deepEqual(readFilmTime("1:02:03,5"), { seconds: 3723.5 });
  assert.deepEqual(readFilmTime("0:00"), { seconds: 0 });
  assert.deepEqual(readFilmTime("90"), { seconds: 90 });
});

test("what is no moment is told", () => {
  for (const text of ["", "x", "1:75", "1:", "1:2:3:4", "-3", "1.5:10", "1:60:00", "1,234"]) {
    assert.ok(readFilmTime(text).problem, text);
  }
});
