// This module has no DOM access. What the waiting page says of one entry, and what it may turn it into.

import { BESIDE, LATER, REFUSED, WAITING } from "./flow.js";

/** The state of an entry in a sentence. */
export function stateWords(entry) {
  if (entry.state === BESIDE) {
    return "Both readings are on the server. A person has to settle which one is right.";
  }
  if (entry.state === REFUSED) {
    return "The server did not take it. It stays on this tablet until it is put right or handed to the lab lead.";
  }
  if (entry.kind === "held") {
    return "On its way to the lab lead.";
  }
  if (entry.state === LATER && !entry.tries) {
    return "Is sent when nothing else waits.";
  }
  if (!entry.tries) {
    return "Waits to be sent.";
  }
  const times = entry.tries === 1 ? "once" : `${entry.tries} times`;
  return `Waits to be sent; tried ${times}. ${entry.last_said ?? ""}`.trim();
}

/** The changes that send a refused entry to the lab lead as it is, with what the server said. */
export function handedOver(entry, address, now) {
  return {
    kind: "held",
    method: "PUT",
    address: address.replace("UUID", entry.id),
    body: {
      kind: entry.kind,
      words: entry.label.slice(0, 200),
      address: entry.address,
      content: entry.body,
      why: Object.values(entry.problems ?? {})
        .flat()
        .join(" ")
        .slice(0, 2000),
      made_at: new Date(entry.made_at).toISOString(),
    },
    is_clocked: true,
    state: WAITING,
    problems: null,
    tries: 0,
    next_at: now,
  };
}
