// This module has no DOM access. Which runs have a reading from this tablet that a page does not know of.

import { BESIDE, REFUSED } from "./flow.js";

/**
 * Map from what it is about to words. `found` is [{about, waiting, sent}] of the store; what was sent counts when it
 * went after `drawnAt`, because a page drawn later shows it by itself.
 */
export function enteredRuns(found, drawnAt) {
  const entered = new Map();
  for (const { about, waiting, sent } of found) {
    const readings = waiting.filter((entry) => entry.kind === "reading" || entry.kind === "void");
    if (readings.some((entry) => entry.state === REFUSED)) {
      entered.set(about, "Not taken by the server: look at it");
    } else if (readings.some((entry) => entry.state === BESIDE)) {
      entered.set(about, "Second reading to settle");
    } else if (readings.length) {
      entered.set(about, `${readings.some((entry) => entry.kind === "void") ? "Void, k" : "K"}ept on this tablet`);
    } else if (sent.some((entry) => entry.kind === "reading" && entry.at > drawnAt)) {
      entered.set(about, "Sent from this tablet");
    }
  }
  return entered;
}
