import assert from "node:assert/strict";
import { test } from "node:test";

import { enteredRuns } from "../../trials/static/trials/js/queue/entered.js";
import { handedOver, stateWords } from "../../trials/static/trials/js/queue/rows.js";

const reading = (state) => ({ kind: "reading", state });

test("a sheet knows what was entered since it was drawn, and nothing older", () => {
  const found = [
    { about: "run:1", waiting: [reading("waiting")], sent: [] },
    { about: "run:2", waiting: [reading("refused")], sent: [] },
    { about: "run:3", waiting: [], sent: [{ kind: "reading", at: 900 }] },
    { about: "run:4", waiting: [], sent: [{ kind: "reading", at: 1100 }] },
    { about: "run:5", waiting: [{ kind: "specimen check", state: "waiting" }], sent: [] },
    { about: "run:6", waiting: [{ kind: "void", state: "waiting" }], sent: [] },
  ];
  assert.deepEqual([...enteredRuns(found, 1000)], [
    ["run:1", "Kept on this tablet"],
    ["run:2", "Not taken by the server: look at it"],
    ["run:4", "Sent from this tablet"],
    ["run:6", "Void, kept on this tablet"],
  ]);
});

test("what the waiting page says of an entry", () => {
  assert.equal(stateWords({ state: "waiting", tries: 0 }), "Waits to be sent.");
  assert.equal(stateWords({ state: "waiting", tries: 2, last_said: "No answer." }), "Waits to be sent; tried 2 times. No answer.");
  assert.match(stateWords({ state: "refused" }), /stays on this tablet/);
});

test("an entry is handed over whole, with what the server said", () => {
  const entry = {
    id: "u", kind: "reading", label: "x".repeat(300), address: "/api/v1/readings/u/", body: { run: 1 },
    problems: { "": ["Void."], raw: ["Odd."] }, made_at: 0, is_clocked: true, clock_offset_s: 60,
  };
  const changes = handedOver(entry, "/api/v1/held/UUID/", 5);
  assert.equal(changes.address, "/api/v1/held/u/");
  assert.equal(changes.body.words.length, 200);
  assert.deepEqual(changes.body.content, { run: 1 });
  assert.equal(changes.body.why, "Void. Odd.");
  assert.deepEqual([changes.state, changes.next_at], ["waiting", 5]);
});
