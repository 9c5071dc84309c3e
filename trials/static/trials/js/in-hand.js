// This module has no DOM access. Which run a specimen in hand is for, by the order of the sheet.

import { codeInLabel, readBlindCode, readCode } from "./codes.js";

/**
 * {address} of its run when it is next, {address, later} with a sentence when others come first, or {problem}.
 * `runs` are those to do, in order: {code, words, address}.
 */
export function runFor(text, runs, { isBlind }) {
  if (!text.trim()) {
    return { problem: isBlind ? "Scan the tag or type its number." : "Scan the label or type the code on it." };
  }
  const { code, problem } = (isBlind ? readBlindCode : readCode)(codeInLabel(text));
  if (problem) {
    return { problem };
  }
  const at = runs.findIndex((run) => run.code === code);
  if (at < 0) {
    return { problem: `${code} has nothing to do on this sheet now. Put it back.` };
  }
  const address = `${runs[at].address}#code=${encodeURIComponent(code)}`;
  if (at === 0) {
    return { address };
  }
  const first = runs[0];
  return {
    address,
    later: `The order was drawn by lot: ${first.code} comes first (${first.words}). ${code} is ${at + 1} in line (${runs[at].words}). If it must be now, say why: it stays on the record.`,
  };
}
