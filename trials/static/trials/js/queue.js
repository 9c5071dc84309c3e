// The bench's queue: what a person enters is stored on the tablet first, sent second, and leaves the tablet only when
// the server's answer names it. Every bench page has it through _queue.html; everything that writes uses `put`.
//
//   const { id } = await put({
//     kind: "reading",                     what it is; others may wait for it by this word
//     id: mintId(...),                     the entry's UUID, made when the form is drawn: sending twice is harmless
//     address: "/api/v1/readings/<id>/",   method is PUT unless given
//     body: {...},                         sent as JSON; with a `blob`, that is the body and this the address's query
//     label: "4.2 s, failed",              how the waiting page names it
//     about: "run:17", page: "/bench/...", what it is about (may be null), and where to look at it again
//     isClocked: true,                     send `clock_offset_s`: what to add to the tablet's times, in seconds
//     isLater: true,                       send it when nothing else waits
//   });                                    resolves when it is on the tablet's disk: now the page may say 'kept'
//   whenAnswered(id).then(({ meaning, answer }) => ...)   meanings are those of answers.js
//
// The server's answer must be JSON with `id` or `entry` equal to the entry's id. A problem with `code: "waits"` and
// `waits_for: "<kind>"` keeps the entry waiting while an entry of that kind is still in the queue.

import { clientFor } from "./client.js";
import { mintId } from "./ids.js";
import { clockWords, moment, offsetToWrite } from "./queue/clock.js";
import { LATER, WAITING } from "./queue/flow.js";
import { senderFor } from "./queue/sender.js";
import { openStore } from "./queue/store.js";
import { turnsFor } from "./queue/turns.js";

const place = document.querySelector("[data-queue]");
const person = Number(place.dataset.person);
const origin = performance.timeOrigin;
const events = new EventTarget();
const channel = new BroadcastChannel("wornproof-bench");
const store = openStore(indexedDB);
const client = clientFor({ fetch: (...request) => window.fetch(...request), session: place.dataset.session });

let sender = null;
let timer = null;
let isFlushing = false;
let isAskedAgain = false;
let status = { phase: "unknown", next_in_ms: null };
let offset = null;

const clockNow = () => ({ ...moment(Date.now(), performance.now()), origin });

function tell(message, { isFromHere = true } = {}) {
  if (message.type === "status") {
    status = { ...message };
  }
  if (isFromHere) {
    channel.postMessage(message);
  }
  events.dispatchEvent(new CustomEvent(message.type, { detail: message }));
}

channel.addEventListener("message", ({ data }) => {
  if (data.type === "poke") {
    flush();
  } else {
    tell(data, { isFromHere: false });
  }
});

async function measured(session, found) {
  if (found === null) {
    return;
  }
  offset = found;
  const at = clockNow();
  await (await store).keepFact("clock", { offset_s: found, at: moment(at.wall, at.steady), origin });
  events.dispatchEvent(new CustomEvent("clock", { detail: found }));
}

async function theSender() {
  const opened = await store;
  sender ??= senderFor({
    store: opened,
    client,
    turns: turnsFor({
      locks: navigator.locks,
      store: opened,
      now: Date.now,
      holder: mintId((bytes) => crypto.getRandomValues(bytes)),
    }),
    tell,
    person,
    now: Date.now,
    chance: Math.random,
    measured,
  });
  return sender;
}

/** Send what is due now. While it runs, asking again makes it look once more at the end. */
export async function flush() {
  if (isFlushing) {
    isAskedAgain = true;
    return;
  }
  isFlushing = true;
  clearTimeout(timer);
  try {
    const found = await (await theSender()).flush();
    if (found.phase !== "busy") {
      tell({ type: "status", ...found, at: Date.now() });
    }
    if (found.next_in_ms !== null) {
      timer = setTimeout(flush, found.next_in_ms);
    }
  } finally {
    isFlushing = false;
    if (isAskedAgain) {
      isAskedAgain = false;
      timer = setTimeout(flush, 0);
    }
  }
}

/** Store an entry on the tablet and have it sent; see the head of this module. Rejects when it cannot be stored. */
export async function put({
  kind,
  id,
  address,
  method = "PUT",
  body = {},
  blob = null,
  label,
  about = null,
  page = window.location.pathname,
  isClocked = false,
  isLater = false,
}) {
  const opened = await store;
  const at = clockNow();
  const known = isClocked ? await opened.fact("clock") : null;
  const entry = {
    id,
    kind,
    method,
    address,
    body,
    has_blob: blob !== null,
    label,
    about,
    page,
    by: person,
    by_name: place.dataset.name,
    made_at: at.wall,
    next_at: at.wall,
    is_clocked: isClocked,
    clock_offset_s: isClocked ? offsetToWrite(known, at) : null,
    state: isLater ? LATER : WAITING,
    tries: 0,
    problems: null,
  };
  await opened.add(entry, blob);
  tell({ type: "changed", id });
  if (!isLater) {
    (await theSender()).first(id);
  }
  // another tab may be sending: it looks for new entries by itself, and this page tries its turn
  flush();
  return entry;
}

/** Resolves with {meaning, answer} when the server has answered about this entry, in whichever tab. */
export function whenAnswered(id) {
  return new Promise((answered) => {
    const listen = ({ detail }) => {
      if (detail.id === id) {
        events.removeEventListener("answered", listen);
        answered({ meaning: detail.meaning, answer: detail.answer });
      }
    };
    events.addEventListener("answered", listen);
  });
}

/** Call back on "changed", "answered", "status" and "clock", from this tab and the others. */
export function listen(name, call) {
  events.addEventListener(name, ({ detail }) => call(detail));
}

/** How the queue stands: {counts, status, clock} in the words' own shape. */
export async function standing() {
  const opened = await store;
  const counts = await opened.counts(person);
  return { counts, status, clock: clockWords(offset) };
}

/** The tablet's database; for pages that list or change what waits. */
export const database = () => store;
export const whoseQueue = { person, name: place.dataset.name };

/** The server's time as far as this tablet knows, in milliseconds. */
export async function serverNow() {
  const known = offset ?? (await (await store).fact("clock"))?.offset_s ?? 0;
  return Date.now() + known * 1000;
}

/** Whether the server was out of reach when it was last asked. */
export const isOutOfReach = () => !navigator.onLine || status.phase === "no answer";

/** A word to the other tabs and this one that the queue was changed by hand. */
export function changed(id = null) {
  tell({ type: "changed", id });
  flush();
}

store.then((opened) => opened.forgetOld(Date.now()));
window.addEventListener("online", flush);
window.addEventListener("pageshow", flush);
document.addEventListener("visibilitychange", () => {
  if (document.visibilityState === "visible") {
    flush();
  }
});
