// This module has no DOM access. Rising steps: each level tried was held or failed; the first failure ends it.
// `steps` is a list of {level, outcome}, `levels` the method's levels in rising order.

/** The level to try next: the one above the last held. Null before the first step, after a failure and at the top. */
export function nextLevel(levels, steps) {
  const last = steps.at(-1);
  if (!last || last.outcome === "failed") {
    return null;
  }
  return levels.find((level) => level > last.level) ?? null;
}

/** True while another step may be tried at this level: steps only rise, and end with a failure. */
export function mayTry(steps, level) {
  const last = steps.at(-1);
  return !last || (last.outcome === "held" && level > last.level);
}

/** The steps with one more; unchanged when that level may not be tried now. */
export function record(steps, level, outcome) {
  return mayTry(steps, level) ? [...steps, { level, outcome }] : steps;
}

/** The steps without the last one. */
export function undo(steps) {
  return steps.slice(0, -1);
}

/** The raw entry these steps make: the highest level held and the one that failed, null where there is none. */
export function bracket(steps) {
  const held = steps.filter((step) => step.outcome === "held").map((step) => step.level);
  const failed = steps.find((step) => step.outcome === "failed");
  return { held_at: held.length ? Math.max(...held) : null, failed_at: failed ? failed.level : null };
}

/** The steps behind a raw entry, for amending it. */
export function stepsOf({ held_at: held, failed_at: failed }) {
  const steps = [];
  if (held !== null && held !== undefined && held !== "") {
    steps.push({ level: Number(held), outcome: "held" });
  }
  if (failed !== null && failed !== undefined && failed !== "") {
    steps.push({ level: Number(failed), outcome: "failed" });
  }
  return steps;
}

/** The bracket so far in words; `say` turns a level into words with its unit. */
export function bracketWords(levels, steps, say) {
  const { held_at: held, failed_at: failed } = bracket(steps);
  if (held === null && failed === null) {
    return "Nothing tried yet: choose the level you start at.";
  }
  if (failed !== null) {
    return held === null
      ? `Failed at ${say(failed)}, the first level tried.`
      : `Held at ${say(held)}, failed at ${say(failed)}.`;
  }
  const next = nextLevel(levels, steps);
  return next === null
    ? `Held at ${say(held)}, the highest level.`
    : `Held at ${say(held)}. Next: ${say(next)}.`;
}
