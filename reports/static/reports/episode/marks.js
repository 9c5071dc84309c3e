// Pure: a text cut into plain and marked stretches, for the layer under the text box.

const KIND = { "typed-number": "number", "unknown-figure": "problem" };

/** Stretches in order; where two flags lie over each other the one that starts first is shown. */
export function stretches(text, flags) {
  const spans = [];
  for (const match of text.matchAll(/\{[^{}\n]{1,120}\}/g)) {
    spans.push({ start: match.index, end: match.index + match[0].length, kind: "figure" });
  }
  for (const flag of flags) {
    if (!flag.stand && flag.end > flag.start) {
      spans.push({ start: flag.start, end: flag.end, kind: KIND[flag.rule] ?? "claim" });
    }
  }
  spans.sort((a, b) => a.start - b.start || Number(a.kind === "figure") - Number(b.kind === "figure"));
  const parts = [];
  let at = 0;
  for (const span of spans) {
    const start = Math.max(span.start, at);
    const end = Math.min(span.end, text.length);
    if (end <= start) {
      continue;
    }
    if (start > at) {
      parts.push({ text: text.slice(at, start), kind: "" });
    }
    parts.push({ text: text.slice(start, end), kind: span.kind });
    at = end;
  }
  if (at < text.length) {
    parts.push({ text: text.slice(at), kind: "" });
  }
  return parts;
}

/** Flags that still stand where the text has changed since they were found: those before the change. */
export function stillThere(flags, before, now) {
  let same = 0;
  while (same < before.length && same < now.length && before[same] === now[same]) {
    same += 1;
  }
  let tail = 0;
  while (
    tail < before.length - same &&
    tail < now.length - same &&
    before[before.length - 1 - tail] === now[now.length - 1 - tail]
  ) {
    tail += 1;
  }
  const shift = now.length - before.length;
  return flags
    .filter((flag) => flag.end <= same || flag.start >= before.length - tail)
    .map((flag) =>
      flag.end <= same ? flag : { ...flag, start: flag.start + shift, end: flag.end + shift },
    );
}
