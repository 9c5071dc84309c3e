// This module has no DOM access. The note of a reading: phrases in and out, and what the instruments add.

/** The note with the phrase at its end, or without it when it was there. */
export function withPhrase(note, phrase) {
  if (note.includes(phrase)) {
    return note.replace(phrase, "").replace(/\s+/gu, " ").trim();
  }
  return joined(note, phrase);
}

/** Parts of a note as one, with one space between and none left empty. */
export function joined(...parts) {
  return parts
    .map((part) => (part ?? "").trim())
    .filter(Boolean)
    .join(" ");
}
