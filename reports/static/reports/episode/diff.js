// Pure: two texts compared word by word.

const MOST_CELLS = 4_000_000;

function words(text) {
  return text.match(/\s+|[^\s]+/g) ?? [];
}

/** Stretches of both texts: kind "same", "theirs" (only in the first) or "mine" (only in the second). */
export function compared(theirs, mine) {
  const a = words(theirs);
  const b = words(mine);
  let head = 0;
  while (head < a.length && head < b.length && a[head] === b[head]) {
    head += 1;
  }
  let tail = 0;
  while (tail < a.length - head && tail < b.length - head && a[a.length - 1 - tail] === b[b.length - 1 - tail]) {
    tail += 1;
  }
  const parts = [];
  const push = (kind, text) => {
    if (!text) {
      return;
    }
    const last = parts.at(-1);
    if (last?.kind === kind) {
      last.text += text;
    } else {
      parts.push({ kind, text });
    }
  };
  push("same", a.slice(0, head).join(""));
  middle(a.slice(head, a.length - tail), b.slice(head, b.length - tail), push);
  push("same", a.slice(a.length - tail).join(""));
  return parts;
}

function middle(a, b, push) {
  if (a.length * b.length > MOST_CELLS) {
    push("theirs", a.join(""));
    push("mine", b.join(""));
    return;
  }
  // longest common run of words, from the end
  const width = b.length + 1;
  const lengths = new Uint32Array((a.length + 1) * width);
  for (let i = a.length - 1; i >= 0; i -= 1) {
    for (let j = b.length - 1; j >= 0; j -= 1) {
      lengths[i * width + j] =
        a[i] === b[j]
          ? lengths[(i + 1) * width + j + 1] + 1
          : Math.max(lengths[(i + 1) * width + j], lengths[i * width + j + 1]);
    }
  }
  let i = 0;
  let j = 0;
  while (i < a.length && j < b.length) {
    if (a[i] === b[j]) {
      push("same", a[i]);
      i += 1;
      j += 1;
    } else if (lengths[(i + 1) * width + j] >= lengths[i * width + j + 1]) {
      push("theirs", a[i]);
      i += 1;
    } else {
      push("mine", b[j]);
      j += 1;
    }
  }
  push("theirs", a.slice(i).join(""));
  push("mine", b.slice(j).join(""));
}
