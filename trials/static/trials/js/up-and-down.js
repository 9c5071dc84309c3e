// This module has no DOM access. Up and down: each shot is one reading of a fresh site; after a shot that held the next
// goes higher, after one that failed lower. `shots` are {run, level, outcome, at} in any order, `levels` the method's
// levels in rising order, `rule` {start, stride}.

/** The level of the next shot, or null where the rule does not say: no start given, or a level that is none of these. */
export function nextLevel(levels, shots, rule) {
  const last = inOrder(shots).at(-1);
  if (!last) {
    return levels.includes(rule.start) ? rule.start : null;
  }
  const at = levels.indexOf(last.level);
  if (at < 0) {
    return null;
  }
  const stride = rule.stride ?? 1;
  const next = last.outcome === "held" ? at + stride : at - stride;
  return levels[Math.min(levels.length - 1, Math.max(0, next))];
}

/**
 * What the server told with the page, and what this tablet has entered since: a void run is no shot, and an amendment
 * keeps its run's place in the order. `entered` are {run, raw, at}, `raw` null for a void.
 */
export function gathered(told, entered) {
  const shots = new Map(told.map((shot) => [shot.run, shot]));
  for (const { run, raw, at } of inOrder(entered)) {
    if (raw === null) {
      shots.delete(run);
    } else {
      shots.set(run, { run, level: Number(raw.level), outcome: raw.outcome, at: shots.get(run)?.at ?? at });
    }
  }
  return inOrder([...shots.values()]);
}

/** The shots so far and the next level, in words; `say` turns a level into words with its unit. */
export function shotWords(levels, shots, say, rule, planned) {
  const done = inOrder(shots);
  const next = nextLevel(levels, done, rule);
  if (planned && done.length >= planned) {
    const more = next === null ? "" : ` One more would be at ${say(next)}.`;
    return `All ${planned} planned shots of this arm are done: stop here.${more}`;
  }
  const count = `Shot ${done.length + 1}${planned ? ` of ${planned}` : ""}.`;
  if (!done.length) {
    return next === null ? `${count} Choose the level you start at.` : `${count} Start at ${say(next)}.`;
  }
  const last = done.at(-1);
  const said = `The last one ${last.outcome} at ${say(last.level)}`;
  if (next === null) {
    return `${count} ${said}, which is none of the levels: choose one.`;
  }
  if (next === last.level) {
    return `${count} ${said}, the ${last.outcome === "held" ? "highest" : "lowest"} level: the same again.`;
  }
  return `${count} ${said}, so ${say(next)} now.`;
}

/**
 * The shots as a drawing: one column a shot in order, one row a level, the highest on top. Returns the size, the rows'
 * heights and the marks, all in the drawing's own units; a level that is none of the method's has no mark.
 */
export function plotted(levels, shots, planned) {
  const row = (level) => STEP * (levels.length - levels.indexOf(level) - 0.5);
  const done = inOrder(shots);
  return {
    width: STEP * Math.max(planned, done.length, 1),
    height: STEP * levels.length,
    rows: levels.map((level) => ({ level, y: row(level) })),
    marks: done.flatMap(({ level, outcome }, at) =>
      levels.includes(level) ? [{ x: STEP * (at + 0.5), y: row(level), outcome }] : [],
    ),
  };
}

const STEP = 20;

/** The order in which they were shot. */
export function inOrder(shots) {
  return [...shots].sort((one, other) => one.at - other.at);
}
