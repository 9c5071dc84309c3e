// View module: the queue's state, on every page of the bench. Started by _queue.html.

import { flush, listen, standing, whoseQueue } from "../queue.js";
import { inOrder } from "./drawing.js";
import { queueWords, shortWords } from "./flow.js";
import { wireMarks } from "./marks.js";
import { missingWords } from "./missing.js";
import { wireOffline } from "./offline.js";

const OLD_MS = 60_000;

const bar = document.querySelector("[data-queue]");
const words = bar.querySelector("[data-queue-words]");
const strip = bar.querySelector("[data-queue-strip]");
const look = bar.querySelector("[data-queue-look]");
const signIn = bar.querySelector("[data-queue-sign-in]");
const missing = bar.querySelector("[data-queue-missing]");
const clock = bar.querySelector("[data-queue-clock]");

/** Drawn once for any number of changes that come together. */
const draw = inOrder(async () => {
  const now = await standing();
  const left = now.status.next_in_ms ? now.status.next_in_ms - (Date.now() - now.status.at) : 0;
  const told = queueWords(now.counts, { ...now.status, next_in_s: left > 0 ? Math.ceil(left / 1000) : null });
  show(told.join(" "));
  strip.textContent = shortWords(now.counts, now.status);
  bar.dataset.queue = now.counts.waiting + now.counts.refused ? "waiting" : "empty";
  bar.dataset.waiting = now.counts.waiting;
  bar.dataset.refused = now.counts.refused;
  bar.dataset.beside = now.counts.beside;
  bar.dataset.phase = now.status.phase;
  look.hidden = !(now.counts.waiting + now.counts.refused + now.counts.beside + now.counts.others.length);
  signIn.hidden = !["sign in", "other person"].includes(now.status.phase);
  clock.hidden = !now.clock;
  clock.textContent = now.clock;
}, requestAnimationFrame);

function show(text) {
  if (words.textContent !== text) {
    words.textContent = text;
  }
}

for (const name of ["changed", "answered", "status", "clock"]) {
  listen(name, draw);
}
setInterval(() => {
  if (bar.dataset.phase === "no answer") {
    draw();
  }
}, 1000);

/** Ask the browser not to clear the tablet's storage, and say what this way of opening the page cannot do. */
async function tellWhatIsMissing() {
  const isPersisted = navigator.storage?.persist ? await navigator.storage.persist() : null;
  const told = missingWords({
    isSecure: window.isSecureContext,
    hasWorker: "serviceWorker" in navigator,
    hasLocks: "locks" in navigator,
    isPersisted,
  });
  missing.hidden = !told.length;
  missing.querySelector("[data-queue-missing-list]").replaceChildren(
    ...told.map((sentence) => {
      const item = document.createElement("li");
      item.textContent = sentence;
      return item;
    }),
  );
}

/** A page from the tablet's own keeping shows what was known when it was drawn: say so. */
function tellItsAge() {
  const drawn = Date.parse(bar.dataset.drawnAt);
  if (Date.now() - drawn > OLD_MS && performance.timeOrigin - drawn > OLD_MS) {
    const age = bar.querySelector("[data-queue-age]");
    const time = new Date(drawn).toLocaleString("en-GB", { day: "numeric", month: "long", hour: "2-digit", minute: "2-digit" });
    age.textContent = `This page shows what was known on ${time}. It is drawn anew when there is network.`;
    age.hidden = false;
  }
}

bar.querySelector("[data-queue-name]").textContent = whoseQueue.name;
tellItsAge();
draw();
tellWhatIsMissing();
flush();
wireOffline(bar);
wireMarks(document, Date.parse(bar.dataset.drawnAt));
