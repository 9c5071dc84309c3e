// Pure: which figure is being typed, and which figures fit.

const MOST = 8;

/** The open brace before the caret and what was typed since; null when no figure is being typed. */
export function openFigure(text, caret) {
  const start = text.lastIndexOf("{", caret - 1);
  if (start < 0) {
    return null;
  }
  const typed = text.slice(start + 1, caret);
  if (/[{}\n]/.test(typed) || typed.length > 80) {
    return null;
  }
  return { start, typed };
}

/** Figures whose key or label has every typed word, those whose key begins so first. */
export function fitting(figures, typed, most = MOST) {
  const wanted = typed.trim().toLowerCase();
  const parts = wanted.split(/\s+/).filter(Boolean);
  const found = [];
  for (const figure of figures) {
    const hay = `${figure.key} ${figure.label}`.toLowerCase();
    if (parts.every((part) => hay.includes(part))) {
      found.push({ figure, rank: figure.key.startsWith(wanted) ? 0 : 1 });
    }
  }
  found.sort((a, b) => a.rank - b.rank);
  return found.slice(0, most).map((one) => one.figure);
}

/** The text with the figure set in over what was typed, and where the caret goes. */
export function completed(text, caret, open, key) {
  const after = text.slice(caret).replace(/^[^{}\n]{0,80}\}/, (rest) => (/^\s*\}/.test(rest) ? "" : rest));
  const put = `{${key}}`;
  return { text: text.slice(0, open.start) + put + after, caret: open.start + put.length };
}

/** The text with a figure put in at the caret, with a space before where words would touch. */
export function inserted(text, start, end, key) {
  const before = text.slice(0, start);
  const gap = before && !/[\s(£€$“"'‘]$/.test(before) ? " " : "";
  const put = `${gap}{${key}}`;
  return { text: before + put + text.slice(end), caret: start + put.length };
}
