// This module has no DOM access. How long to wait before an entry is tried again.

const FIRST_MS = 2_000;
const GROWS = 1.6;
export const LONGEST_MS = 30_000;

/**
 * Milliseconds to wait after `tries` failures, up to a quarter sooner or later by chance, so that a room of tablets
 * does not come back all at once. `asked` is what the server said with Retry-After, in seconds, or null.
 */
export function waitFor(tries, chance, asked = null) {
  const wanted = Math.min(FIRST_MS * GROWS ** Math.max(0, tries - 1), LONGEST_MS);
  const spread = wanted * (0.75 + 0.5 * chance);
  return Math.round(Math.max(spread, asked === null ? 0 : asked * 1000));
}
