// This module has no DOM access. What a press on the number pad does to the text of a readout.

const MOST_CHARACTERS = 12;

/**
 * The text after one press. `key` is a digit, "." or "back".
 * A second decimal point is ignored, and a leading one becomes "0." so that the readout never shows a bare point.
 */
export function press(text, key) {
  if (key === "back") {
    return text.slice(0, -1);
  }
  if (text.length >= MOST_CHARACTERS) {
    return text;
  }
  if (key === ".") {
    if (text.includes(".") || text.includes(",")) {
      return text;
    }
    return text === "" ? "0." : `${text}.`;
  }
  return text === "0" ? key : text + key;
}
