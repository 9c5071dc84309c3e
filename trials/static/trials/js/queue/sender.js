// This module has no DOM access. Sends what waits, one entry after the other, until the server's answer names each.

import { meaningOf, namesEntry } from "../answers.js";
import { waitFor } from "./backoff.js";
import { offsetOf } from "./clock.js";
import { BESIDE, LATER, REFUSED, fateOf } from "./flow.js";

const MOST_TRIES_IN_FRONT = 3;
const MOST_FRESH_TOKENS = 2; // in a row, before it counts as no answer

/**
 * `tell` is called with {type: "status", ...} and {type: "answered", id, meaning, answer}; `chance` gives a number
 * from 0 to 1; `person` is whose page this is. Everything that the server waits for is named in its problem as
 * `waits_for`, a kind of entry.
 */
export function senderFor({ store, client, turns, tell, person, now, chance, measured }) {
  let tries = 0; // failures since the server was last heard
  const urgent = [];
  let giveWay = null; // stops an upload that may as well come later

  async function run(renew) {
    let session = await client.session();
    const status = statusOf(session);
    if (status) {
      return status;
    }
    await measured(session, offsetOf({ ...session, serverTime: session.body.now }));
    let failuresInARow = 0;
    let freshTokens = 0;
    let entry = await next(session.body.user);
    while (entry) {
      tell({ type: "status", phase: "sending" });
      if (!(await renew())) {
        return { phase: "unknown" };
      }
      const offset = offsetOf({ ...session, serverTime: session.body.now });
      const { answer, meaning, isGone } = await deliver(entry, session.body.csrf_token, offset);
      if (!isGone) {
        const hasSupplier = meaning === "waits for another" && (await hasSupplierFor(entry, answer));
        const fate = fateOf(meaning, { status: answer.status, failuresInARow, hasSupplier });
        failuresInARow = fate.entry === "wait" && meaning === "send again" ? failuresInARow + 1 : 0;
        await apply(fate, entry, answer, meaning);
        tell({ type: "answered", id: entry.id, meaning, answer });
        if (fate.go === "stop") {
          return stopped(meaning, answer);
        }
        if (fate.go === "ask again") {
          freshTokens += 1;
          session = await client.session();
          const now = freshTokens > MOST_FRESH_TOKENS ? { phase: "no answer" } : statusOf(session);
          if (now) {
            return now;
          }
        }
      }
      entry = await next(session.body.user);
    }
    return session.body.user === person
      ? { phase: "idle" }
      : { phase: "other person", name: session.body.display_name };
  }

  async function next(user) {
    while (urgent.length) {
      const entry = await store.get(urgent.shift());
      if (entry && entry.state === "waiting" && entry.by === user) {
        return entry;
      }
    }
    return (await store.due(user, now(), 1))[0] ?? (await store.due(user, now(), 1, LATER))[0] ?? null;
  }

  async function deliver(waiting, token, offset) {
    let entry = waiting;
    if (entry.is_clocked && entry.clock_offset_s === null && offset !== null) {
      // fixed before the first sending, so that however often it is sent it stays the same entry
      entry = await store.change(entry.id, { clock_offset_s: offset });
      if (!entry) {
        return { isGone: true };
      }
    }
    const blob = entry.has_blob ? await store.blobOf(entry.id) : null;
    const body = entry.is_clocked ? { ...entry.body, clock_offset_s: entry.clock_offset_s } : entry.body;
    const stop = entry.state === LATER ? new AbortController() : null;
    giveWay = stop;
    const answer = await client.deliver({ ...entry, body }, { token, blob, signal: stop?.signal });
    giveWay = null;
    if (stop?.signal.aborted && answer.status === 0) {
      return { isGone: true };
    }
    return { answer, meaning: meaningOf(answer, namesEntry(entry.id)), isGone: false };
  }

  async function hasSupplierFor(entry, answer) {
    const kind = answer.body?.waits_for;
    return Boolean(kind) && kind !== entry.kind && (await store.has(entry.by, kind));
  }

  async function apply(fate, entry, answer, meaning) {
    const problems = answer.body?.problems ?? null;
    switch (fate.entry) {
      case "leave":
        tries = 0;
        await store.leave(entry.id, {
          kind: entry.kind,
          about: entry.about,
          made_at: entry.made_at,
          clock_offset_s: entry.clock_offset_s,
          by: entry.by,
          label: entry.label,
          raw: entry.body?.raw ?? null,
          words: answer.body.words ?? "",
          at: now(),
        });
        break;
      case "set beside":
        tries = 0;
        await store.change(entry.id, { state: BESIDE, problems, standing: answer.body.standing ?? null });
        break;
      case "refuse":
        tries = 0;
        await store.change(entry.id, { state: REFUSED, problems });
        break;
      case "wait": {
        const failed = entry.tries + 1;
        // a server that is away is no fault of the entry; but one that never gets an answer must let others pass
        const mayStayFirst = fate.go === "stop" && failed < MOST_TRIES_IN_FRONT;
        await store.change(entry.id, {
          tries: failed,
          next_at: mayStayFirst ? entry.next_at : now() + waitFor(failed, chance(), answer.retry_after_s),
          last_said: lastSaid(meaning, answer),
        });
        break;
      }
      default: // hold
        break;
    }
  }

  return {
    /** Send first what somebody is looking at; what may come later makes room. */
    first(id) {
      urgent.push(id);
      giveWay?.abort();
    },

    /**
     * Send all that is due, unless another tab does. Gives {phase, next_in_ms}: when to come again, or null when
     * nothing waits or a person has to do something first.
     */
    async flush() {
      let status = { phase: "busy" };
      await turns.inTurn(async (renew) => {
        status = await run(renew);
      });
      if (status.phase === "no answer") {
        tries += 1;
        const wait = waitFor(tries, chance(), status.retry_after_s ?? null);
        return { ...status, next_in_ms: wait };
      }
      tries = status.phase === "busy" ? tries : 0;
      const at = status.phase === "idle" ? await store.nextAt(person) : null;
      return { ...status, next_in_ms: at === null ? null : Math.max(250, at - now()) };
    },
  };
}

function statusOf(session) {
  if (session.status === 401) {
    return { phase: "sign in" };
  }
  return session.status === 200 ? null : { phase: "no answer" };
}

function stopped(meaning, answer) {
  if (meaning === "sign in") {
    return { phase: "sign in" };
  }
  if (meaning === "other person") {
    return { phase: "other person", name: answer.body?.display_name ?? "Somebody else" };
  }
  return { phase: "no answer", retry_after_s: answer.retry_after_s };
}

function lastSaid(meaning, answer) {
  if (meaning === "waits for another") {
    return "The server waits for another entry first.";
  }
  return answer.status ? `The server answered ${answer.status} and did not say that it is kept.` : "No answer.";
}
