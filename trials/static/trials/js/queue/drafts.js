// View module: what is half typed survives a reload, a closed tab and a browser that the tablet ended.

import { database, whoseQueue } from "../queue.js";

const SETTLES_MS = 120; // several keys in one go are one writing

/** A draft of one place on the bench, such as "reading:17". */
export function draftFor(place) {
  const key = `${whoseQueue.person}:${place}`;
  let timer = null;
  let latest = null;
  let isDropped = false;

  async function write() {
    clearTimeout(timer);
    timer = null;
    const take = latest;
    latest = null;
    if (take && !isDropped) {
      await (await database()).keepDraft(key, take());
    }
  }

  // the last moments in which a tablet lets a page do anything
  document.addEventListener("visibilitychange", () => {
    if (document.visibilityState === "hidden") {
      write();
    }
  });
  window.addEventListener("pagehide", write);

  return {
    /** Keep what `take()` gives, soon. */
    keep(take) {
      isDropped = false;
      latest = take;
      timer ??= setTimeout(write, SETTLES_MS);
    },
    /** Keep it now, such as when a stopwatch was started. */
    async keepNow(take) {
      isDropped = false;
      latest = take;
      await write();
    },
    read: async () => (await database()).draftOf(key),
    async drop() {
      isDropped = true;
      latest = null;
      clearTimeout(timer);
      timer = null;
      await (await database()).dropDraft(key);
    },
  };
}
