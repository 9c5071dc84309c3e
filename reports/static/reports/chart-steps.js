// This module has no DOM access. Walks the readings of a figure one by one, for keys and screen readers.

const STEPS = { ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1 };

function counted(figure) {
  return figure.data.reduce((sum, trace) => sum + trace.x.length, 0);
}

/** The place after a key, held within the readings; null for a key that does not move. */
export function stepTo(figure, place, key) {
  const last = counted(figure) - 1;
  if (key === "Home") {
    return 0;
  }
  if (key === "End") {
    return last;
  }
  const step = STEPS[key];
  return step === undefined ? null : Math.min(Math.max(place + step, 0), last);
}

/** The reading at a place in words, with its trace and number there. */
export function wordsOf(figure, place) {
  let point = place;
  for (const [curve, trace] of figure.data.entries()) {
    if (point < trace.x.length) {
      return { words: [trace.y[point], trace.name, trace.text?.[point]].filter(Boolean).join(", "), curve, point };
    }
    point -= trace.x.length;
  }
  throw new RangeError(`There is no reading ${place}.`);
}
