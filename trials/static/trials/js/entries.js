// This module has no DOM access. From what was typed to the raw entry that is sent, by kind of reading.
// Numbers are sent as they were typed. Only what is plainly missing is told here; the server judges the rest.

import { numberProblem } from "./numbers.js";

const READERS = {
  value: (typed, entry) => {
    if (typed.below_limit) {
      entry.raw.below_limit = true;
      if (typed.value) {
        entry.problems.value = "Either a value or 'nothing seen', not both.";
      }
    } else {
      number(typed, entry, "value", "Type the value.");
    }
  },
  timer: (typed, entry) => {
    number(typed, entry, "seconds", "Time it or type the seconds.");
    choice(typed, entry, "ended", "Say how it ended.");
  },
  tally: (typed, entry) => {
    number(typed, entry, "turns", "Count the turns or type them.");
    choice(typed, entry, "ended", "Say how it ended.");
  },
  rising_steps: (typed, entry) => {
    const isEmpty = (level) => level === null || level === undefined || level === "";
    if (isEmpty(typed.held_at) && isEmpty(typed.failed_at)) {
      entry.problems.held_at = "Try a level first: held or failed.";
      return;
    }
    for (const field of ["held_at", "failed_at"]) {
      entry.raw[field] = isEmpty(typed[field]) ? null : typed[field];
    }
  },
  challenge: (typed, entry) => {
    number(typed, entry, "level", "Choose the level.");
    choice(typed, entry, "outcome", "Say whether it held or failed.");
  },
  mass_gain: (typed, entry) => {
    number(typed, entry, "before_g", "Type the mass before.");
    number(typed, entry, "after_g", "Type the mass after.");
  },
  grade: (typed, entry) => {
    if (!typed.rater) {
      entry.problems.rater = "Say who graded it.";
    }
    if (typed.grade) {
      entry.raw.grade = Number(typed.grade);
    } else {
      entry.problems.grade = "Choose a grade.";
    }
  },
};

/** {raw, problems} of what was typed; `problems` maps a field to its sentence and is empty when it may be sent. */
export function entryOf(kind, typed) {
  const entry = { raw: {}, problems: {} };
  READERS[kind](typed, entry);
  return entry;
}

function number(typed, entry, field, sentence) {
  const text = typed[field] ?? "";
  if (text === "") {
    entry.problems[field] = sentence;
  } else if (numberProblem(text)) {
    entry.problems[field] = numberProblem(text);
  } else {
    entry.raw[field] = text;
  }
}

function choice(typed, entry, field, sentence) {
  if (typed[field]) {
    entry.raw[field] = typed[field];
  } else {
    entry.problems[field] = sentence;
  }
}
