import assert from "node:assert/strict";
import { test } from "node:test";

import { senderFor } from "../../trials/static/trials/js/queue/sender.js";
import { turnsFor } from "../../trials/static/trials/js/queue/turns.js";

// The tablet's database is tried in the browser; here a plain list stands for it, in the same words.
function listStore(entries) {
  const held = new Map(entries.map((entry) => [entry.id, entry]));
  const sent = [];
  let lease = null;
  return {
    held,
    sent,
    get: async (id) => held.get(id),
    blobOf: async () => null,
    due: async (by, now, most, state = "waiting") =>
      [...held.values()].filter((e) => e.state === state && e.by === by && e.next_at <= now).slice(0, most),
    nextAt: async (by) =>
      Math.min(...[...held.values()].filter((e) => e.state === "waiting" && e.by === by).map((e) => e.next_at), Infinity),
    has: async (by, kind) => [...held.values()].some((e) => e.by === by && e.kind === kind && e.state === "waiting"),
    change: async (id, changes) => held.set(id, { ...held.get(id), ...changes }).get(id),
    leave: async (id, what) => {
      held.delete(id);
      sent.push({ ...what, id });
    },
    lease: async (name, holder, now, until) => {
      if (lease && lease.holder !== holder && lease.until > now) {
        return false;
      }
      lease = { holder, until };
      return true;
    },
  };
}

const entry = (id, changes = {}) => ({
  id, kind: "reading", by: 7, state: "waiting", next_at: 0, tries: 0, body: { run: 1 }, label: id, about: null,
  made_at: 0, is_clocked: false, clock_offset_s: null, has_blob: false, ...changes,
});

function bench(entries, answers, { user = 7, at = 1000, sessions = [] } = {}) {
  const store = listStore(entries);
  const asked = [];
  const told = [];
  const session = { status: 200, body: { user, csrf_token: "t", display_name: "Wat", now: "1970-01-01T01:00:01Z" }, sentAt: at, cameAt: at };
  const client = {
    session: async () => sessions.shift() ?? session,
    deliver: async ({ id, body }) => {
      asked.push({ id, body });
      const given = typeof answers === "function" ? answers(id, asked.length) : answers[id];
      return { retry_after_s: null, ...(given ?? { status: 201, body: { id } }) };
    },
  };
  const sender = senderFor({
    store, client, tell: (message) => told.push(message), person: 7, now: () => at, chance: () => 0.5,
    turns: turnsFor({ locks: null, store, now: () => at, holder: "here" }), measured: async () => {},
  });
  return { store, asked, told, sender };
}

test("everything that waits is sent, each once, and leaves", async () => {
  const { store, asked, sender } = bench([entry("a"), entry("b"), entry("c")], {});
  const status = await sender.flush();
  assert.deepEqual(asked.map(({ id }) => id), ["a", "b", "c"]);
  assert.equal(store.held.size, 0);
  assert.deepEqual(store.sent.map(({ id }) => id), ["a", "b", "c"]);
  assert.equal(status.phase, "idle");
});

test("what somebody looks at goes first", async () => {
  const { asked, sender } = bench([entry("a"), entry("b"), entry("c")], {});
  sender.first("c");
  await sender.flush();
  assert.deepEqual(asked.map(({ id }) => id), ["c", "a", "b"]);
});

test("a web page that answers 200 is not believed", async () => {
  const { store, sender } = bench([entry("a")], { a: { status: 200, body: null } });
  await sender.flush();
  assert.equal(store.held.get("a").state, "waiting");
  assert.match(store.held.get("a").last_said, /answered 200 and did not say/);
});

test("a refused entry stays for a person and lets the others pass", async () => {
  const { store, sender } = bench([entry("a"), entry("b")], { a: { status: 400, body: { problems: { seconds: ["No."] } } } });
  await sender.flush();
  assert.deepEqual([...store.held.values()].map(({ id, state, problems }) => [id, state, problems]), [
    ["a", "refused", { seconds: ["No."] }],
  ]);
});

test("a conflict keeps what stands beside it", async () => {
  const body = { id: "a", both_kept: true, problems: { "": ["Taken."] }, standing: { id: "x" } };
  const { store, sender } = bench([entry("a")], { a: { status: 409, body } });
  await sender.flush();
  assert.equal(store.held.get("a").state, "beside");
  assert.deepEqual(store.held.get("a").standing, { id: "x" });
});

test("nothing of another person is sent", async () => {
  const { store, asked, sender } = bench([entry("a"), entry("b", { by: 8 })], {}, { user: 8 });
  const status = await sender.flush();
  assert.deepEqual(asked.map(({ id }) => id), ["b"]);
  assert.ok(store.held.has("a"));
  assert.deepEqual([status.phase, status.name], ["other person", "Wat"]);
});

test("a sign-in that ended stops everything and changes nothing", async () => {
  const { store, asked, sender } = bench([entry("a")], {}, { sessions: [{ status: 401, body: {} }] });
  assert.equal((await sender.flush()).phase, "sign in");
  assert.equal(asked.length, 0);
  assert.deepEqual(store.held.get("a"), entry("a"));
});

test("a server that is away is tried again later, longer each time", async () => {
  const { sender } = bench([entry("a")], () => ({ status: 0, body: null }));
  const waits = [await sender.flush(), await sender.flush(), await sender.flush()].map(({ next_in_ms }) => next_in_ms);
  assert.deepEqual(waits, [2000, 3200, 5120]);
});

test("an entry that never gets an answer does not hold up the others for ever", async () => {
  const { store, sender } = bench([entry("bad"), entry("good")], (id) => (id === "bad" ? { status: 0, body: null } : undefined));
  for (let round = 0; round < 4; round += 1) {
    await sender.flush();
  }
  assert.deepEqual([...store.held.keys()], ["bad"]);
});

test("a run may arrive after its reading", async () => {
  const arrived = new Set();
  const { store, asked, sender } = bench([entry("r"), entry("n", { kind: "run" })], (id) => {
    if (id === "r" && !arrived.has("n")) {
      return { status: 400, body: { code: "waits", waits_for: "run", problems: { run: ["Not here."] } } };
    }
    arrived.add(id);
    return undefined;
  });
  const status = await sender.flush();
  assert.deepEqual(asked.map(({ id }) => id), ["r", "n"]);
  assert.equal(store.held.get("r").state, "waiting");
  assert.equal(status.next_in_ms, 2000);
});

test("a reading whose run is nowhere is left to a person", async () => {
  const waits = { status: 400, body: { code: "waits", waits_for: "run", problems: { run: ["Not here."] } } };
  const { store, sender } = bench([entry("r")], { r: waits });
  await sender.flush();
  assert.equal(store.held.get("r").state, "refused");
});

test("the clock's offset is fixed before the first sending and never changes", async () => {
  let isAway = true;
  const { store, asked, sender } = bench([entry("a", { is_clocked: true })], () =>
    isAway ? { status: 0, body: null } : undefined,
  );
  await sender.flush();
  assert.equal(asked[0].body.clock_offset_s, 3600); // the server's clock shows 01:00:01, the tablet's 00:00:01
  assert.equal(store.held.get("a").clock_offset_s, 3600);
  isAway = false;
  await sender.flush();
  assert.deepEqual(asked[1].body, asked[0].body);
});

test("a stale token is asked for anew and the entry sent again", async () => {
  let isStale = true;
  const { store, asked, sender } = bench([entry("a")], () => {
    const answer = isStale ? { status: 403, body: { code: "stale token", problems: {} } } : undefined;
    isStale = false;
    return answer;
  });
  await sender.flush();
  assert.equal(asked.length, 2);
  assert.equal(store.held.size, 0);
});

test("a token that stays stale is no endless loop", async () => {
  const { asked, sender } = bench([entry("a")], () => ({ status: 403, body: { code: "stale token", problems: {} } }));
  assert.equal((await sender.flush()).phase, "no answer");
  assert.equal(asked.length, 3);
});

test("while somebody else has the turn nothing is sent", async () => {
  const { store, asked, sender } = bench([entry("a")], {});
  await store.lease("wornproof-sending", "another tab", 1000, 9000);
  assert.equal((await sender.flush()).phase, "busy");
  assert.equal(asked.length, 0);
});

test("what may come later goes last, whenever it was made", async () => {
  const { asked, sender, store } = bench([entry("original", { state: "later" }), entry("reading")], {});
  await sender.flush();
  assert.deepEqual(asked.map(({ id }) => id), ["reading", "original"]);
  assert.equal(store.held.size, 0);
});

test("an upload that may come later makes room for a new entry and is not counted as failed", async () => {
  const store = listStore([entry("original", { state: "later" })]);
  const asked = [];
  const session = { status: 200, body: { user: 7, csrf_token: "t", now: "1970-01-01T00:00:01Z" }, sentAt: 1, cameAt: 1 };
  let sender = null;
  const client = {
    session: async () => session,
    deliver: ({ id }, { signal }) => {
      asked.push(id);
      if (id === "original" && asked.length === 1) {
        // a slow upload, during which somebody enters a reading
        return new Promise((answered) => {
          signal.addEventListener("abort", () => answered({ status: 0, body: null, retry_after_s: null }));
          store.held.set("reading", entry("reading"));
          sender.first("reading");
        });
      }
      return Promise.resolve({ status: 201, body: { id }, retry_after_s: null });
    },
  };
  sender = senderFor({
    store, client, tell: () => {}, person: 7, now: () => 1, chance: () => 0.5, measured: async () => {},
    turns: turnsFor({ locks: null, store, now: () => 1, holder: "here" }),
  });
  const { phase } = await sender.flush();
  assert.deepEqual(asked, ["original", "reading", "original"]);
  assert.equal(phase, "idle");
  assert.equal(store.held.size, 0);
});

test("a reading waits no longer for a run that was refused: it goes to a person", async () => {
  const answers = {
    run: { status: 400, body: { problems: { site: ["Site 1 is used up."] } } },
    reading: { status: 400, body: { code: "waits", waits_for: "run", problems: { run: ["The run has not arrived."] } } },
  };
  const { sender, store } = bench([entry("run", { kind: "run" }), entry("reading")], answers);
  await sender.flush();
  assert.deepEqual([...store.held.values()].map((one) => [one.id, one.state]), [
    ["run", "refused"],
    ["reading", "refused"],
  ]);
});
