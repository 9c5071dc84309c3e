// This module has no DOM access. What was typed, in a few words, before the server has said it in its own.

const ENDED = { failed: "failed", stopped: "stopped before it failed" };

const WORDS = {
  value: (raw, unit) => (raw.below_limit ? "nothing seen above the limit" : `${raw.value} ${unit}`),
  timer: (raw) => `${raw.seconds} s, ${ENDED[raw.ended] ?? raw.ended}`,
  tally: (raw) => `${raw.turns} turns, ${ENDED[raw.ended] ?? raw.ended}`,
  rising_steps: (raw, unit) =>
    [
      raw.held_at === null ? "" : `held at ${raw.held_at} ${unit}`,
      raw.failed_at === null ? "" : `failed at ${raw.failed_at} ${unit}`,
    ]
      .filter(Boolean)
      .join(", "),
  challenge: (raw, unit) => `${raw.outcome} at ${raw.level} ${unit}`,
  mass_gain: (raw) => `${raw.before_g} g before, ${raw.after_g} g after`,
  grade: (raw) => `grade ${raw.grade}`,
};

/** A raw entry in words, as "4.2 s, failed"; a kind that this module does not know is shown as it was typed. */
export function labelOf(kind, raw, { unit = "", rater = "" } = {}) {
  const words = WORDS[kind]
    ? WORDS[kind](raw, unit)
    : Object.entries(raw)
        .map(([field, typed]) => `${field} ${typed}`)
        .join(", ");
  return (rater ? `${words} (${rater})` : words).trim();
}

/** The same with a capital and non-breaking units left to the browser. */
export function capital(words) {
  return words.charAt(0).toUpperCase() + words.slice(1);
}
