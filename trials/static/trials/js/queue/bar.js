// View module: the queue's state, on every page of the bench. Started by _queue.html.

import { flush, listen, standing, whoseQueue } from "../queue.js";
import { queueWords } from "./flow.js";
import { missingWords } from "./missing.js";

const bar = document.querySelector("[data-queue]");
const words = bar.querySelector("[data-queue-words]");
const look = bar.querySelector("[data-queue-look]");
const signIn = bar.querySelector("[data-queue-sign-in]");
const missing = bar.querySelector("[data-queue-missing]");
const clock = bar.querySelector("[data-queue-clock]");

let drawing = null;

/** Draw once for any number of changes that come together. */
function draw() {
  drawing ??= requestAnimationFrame(async () => {
    drawing = null;
    const now = await standing();
    const nextIn = now.status.next_in_ms ? Math.ceil((now.status.next_in_ms - (Date.now() - now.status.at)) / 1000) : null;
    const told = queueWords(now.counts, { ...now.status, next_in_s: nextIn !== null && nextIn > 0 ? nextIn : null });
    show(told.join(" "));
    bar.dataset.queue = now.counts.waiting + now.counts.refused ? "waiting" : "empty";
    bar.dataset.waiting = now.counts.waiting;
    bar.dataset.refused = now.counts.refused;
    bar.dataset.beside = now.counts.beside;
    bar.dataset.phase = now.status.phase;
    look.hidden = !(now.counts.waiting + now.counts.refused + now.counts.beside + now.counts.others.length);
    signIn.hidden = !["sign in", "other person"].includes(now.status.phase);
    clock.hidden = !now.clock;
    clock.textContent = now.clock;
  });
}

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

bar.querySelector("[data-queue-name]").textContent = whoseQueue.name;
draw();
tellWhatIsMissing();
flush();
