// This module has no DOM access. What becomes of a queued entry after an answer, and what the queue says of itself.

/** States of an entry on the tablet. It leaves the tablet only when the server's answer names it. */
export const WAITING = "waiting"; // to be sent
export const LATER = "later"; // to be sent when nothing else is, such as the original of a photo
export const REFUSED = "refused"; // the server said why not; a person has to look
export const BESIDE = "beside"; // the server kept it beside another reading, for a person to settle

const NO_SERVER = new Set([0, 429, 502, 503, 504]);
const MOST_FAILURES_IN_A_ROW = 3;

/**
 * What to do with an entry after a meaning (see answers.js): {entry: "leave" | "refuse" | "set beside" | "wait" |
 * "hold", go: "on" | "stop" | "ask again"}. `hold` leaves the entry as it is. `hasSupplier` says whether something
 * that the server still waits for is in this queue.
 */
export function fateOf(meaning, { status = 0, failuresInARow = 0, hasSupplier = false } = {}) {
  switch (meaning) {
    case "kept":
      return { entry: "leave", go: "on" };
    case "kept beside":
      return { entry: "set beside", go: "on" };
    case "refused":
      return { entry: "refuse", go: "on" };
    case "waits for another":
      return { entry: hasSupplier ? "wait" : "refuse", go: "on" };
    case "sign in":
    case "other person":
      return { entry: "hold", go: "stop" };
    case "stale token":
      return { entry: "hold", go: "ask again" };
    default: {
      const isAway = NO_SERVER.has(status) || failuresInARow + 1 >= MOST_FAILURES_IN_A_ROW;
      return { entry: "wait", go: isAway ? "stop" : "on" };
    }
  }
}

/**
 * The sentences of the bar. `counts` is {waiting, refused, beside, others: [{name, count}]}; `status` is {phase,
 * next_in_s, name}. The first sentence stands for the whole queue and never claims more than is known.
 */
export function queueWords(counts, status) {
  const { waiting, refused, beside, others = [] } = counts;
  const told = [];
  if (waiting) {
    told.push(`${entries(waiting)} ${waiting === 1 ? "waits" : "wait"} on this tablet. ${reasonWords(status)}`);
  } else if (status.phase === "unknown") {
    told.push("Nothing waits on this tablet.");
  } else {
    told.push("Everything you entered is on the server.");
  }
  if (!waiting && status.phase === "sign in") {
    told.push("Your sign-in has ended.");
  }
  if (!waiting && status.phase === "no answer") {
    told.push("No answer from the server just now: what you enter is kept on this tablet.");
  }
  if (refused) {
    told.push(`${entries(refused)} not taken by the server: look at ${refused === 1 ? "it" : "them"}.`);
  }
  if (beside) {
    told.push(`${entries(beside)} kept beside another reading: to settle.`);
  }
  for (const { name, count } of others) {
    told.push(`${entries(count)} of ${name} ${count === 1 ? "waits" : "wait"} here until ${name} signs in on this tablet.`);
  }
  return told;
}

/** The same in a few words, for the strip that is always in view. */
export function shortWords({ waiting, refused, beside }, status) {
  const told = [waiting ? `${waiting.toLocaleString("en-GB")} waiting` : "Nothing waiting"];
  if (waiting && status.phase === "sending") {
    told.push("sending");
  }
  if (["no answer", "sign in"].includes(status.phase)) {
    told.push(status.phase === "sign in" ? "sign in" : "no network");
  }
  if (refused + beside) {
    told.push(`${refused + beside} to look at`);
  }
  return told.join(", ");
}

function reasonWords({ phase, name = "", next_in_s = null }) {
  switch (phase) {
    case "sending":
      return "Sending.";
    case "sign in":
      return "Your sign-in has ended: sign in and they are sent.";
    case "other person":
      return `${name} is signed in now: they are sent when you sign in again.`;
    case "no answer":
      return next_in_s === null ? "No answer from the server." : `No answer from the server; next try in ${next_in_s} s.`;
    default:
      return "They are sent as soon as the server answers.";
  }
}

function entries(count) {
  return count === 1 ? "1 entry" : `${count.toLocaleString("en-GB")} entries`;
}

/** Why an entry could not be stored on this tablet, in a sentence. */
export function notStoredWords(error) {
  if (error?.name === "QuotaExceededError" || error?.inner?.name === "QuotaExceededError") {
    return "Not kept: this tablet's storage is full. Write the reading on paper now, then free some space or let waiting entries be sent, and keep it again.";
  }
  return "Not kept: this browser would not store it. Write the reading on paper now, then load the page again and try once more.";
}
