// This module has no DOM access. Rising steps: each level tried was held or failed.
// `steps` is a list of {level, outcome}, `levels` the method's levels in rising order, `rule` how the method rises:
// {start, stride, may_return, enough}. Without `may_return` the first failure ends it. `enough` is the largest ratio
// of failed over held that is narrow enough.

const PLAIN = {};

/** The level to try next by the rule, or null when the bracket is done or the rule does not say. */
export function nextLevel(levels, steps, rule = PLAIN) {
  const { held_at: held, failed_at: failed } = bracket(steps);
  if (isDone(levels, steps, rule)) {
    return null;
  }
  if (!steps.length) {
    return levels.includes(rule.start) ? rule.start : null;
  }
  if (failed !== null) {
    const between = open(levels, held, failed);
    return between[Math.floor((between.length - 1) / 2)];
  }
  const above = levels.filter((level) => level > held);
  return above[Math.min(rule.stride ?? 1, above.length) - 1];
}

/** True when no further step may be tried: narrow enough, at the top, or nothing left between. */
export function isDone(levels, steps, rule = PLAIN) {
  const { held_at: held, failed_at: failed } = bracket(steps);
  if (failed === null) {
    return held !== null && !levels.some((level) => level > held);
  }
  return !rule.may_return || isNarrow(held, failed, rule) || open(levels, held, failed).length === 0;
}

/** True while a step may be tried at this level: never below what held, never above what failed. */
export function mayTry(levels, steps, level, rule = PLAIN) {
  const { held_at: held, failed_at: failed } = bracket(steps);
  if (isDone(levels, steps, rule)) {
    return false;
  }
  return (held === null || level > held) && (failed === null || level < failed);
}

/** The steps with one more; unchanged when that level may not be tried now. */
export function record(levels, steps, level, outcome, rule = PLAIN) {
  return mayTry(levels, steps, level, rule) ? [...steps, { level, outcome }] : steps;
}

/** The steps without the last one. */
export function undo(steps) {
  return steps.slice(0, -1);
}

/** The raw entry these steps make: the highest level held and the lowest that failed, null where there is none. */
export function bracket(steps) {
  const at = (outcome) => steps.filter((step) => step.outcome === outcome).map((step) => step.level);
  const [held, failed] = [at("held"), at("failed")];
  return { held_at: held.length ? Math.max(...held) : null, failed_at: failed.length ? Math.min(...failed) : null };
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
export function bracketWords(levels, steps, say, rule = PLAIN) {
  const { held_at: held, failed_at: failed } = bracket(steps);
  const next = nextLevel(levels, steps, rule);
  if (held === null && failed === null) {
    return next === null ? "Nothing tried yet: choose the level you start at." : `Nothing tried yet. Start at ${say(next)}.`;
  }
  if (failed === null) {
    return next === null ? `Held at ${say(held)}, the highest level.` : `Held at ${say(held)}. Next: ${say(next)}.`;
  }
  const first = steps.length === 1 ? ", the first level tried" : "";
  const so = held === null ? `Failed at ${say(failed)}${first}.` : `Held at ${say(held)}, failed at ${say(failed)}.`;
  if (next !== null) {
    return `${so} Next: ${say(next)}, on a fresh site.`;
  }
  return rule.enough && isNarrow(held, failed, rule) ? `${so} Narrow enough: stop here.` : so;
}

/** What goes into the note: the steps in the order they were tried, when there were more than two. */
export function remarks(steps, say) {
  if (steps.length < 3) {
    return "";
  }
  return `Steps: ${steps.map((step) => `${say(step.level)} ${step.outcome}`).join(", ")}.`;
}

function open(levels, held, failed) {
  return levels.filter((level) => (held === null || level > held) && level < failed);
}

function isNarrow(held, failed, rule) {
  return Boolean(rule.enough) && held !== null && failed / held <= rule.enough;
}
