// This module has no DOM access. Turns a figure made on the server into one in the colours of the page.

const TOKEN = /^--[a-z-]+$/;

/**
 * A copy of `value` in which every string that is the name of a colour token, such as "--loss", is replaced
 * by what `readToken` gives for it. Everything else stays as it is.
 */
export function withTokens(value, readToken) {
  if (typeof value === "string") {
    return TOKEN.test(value) ? readToken(value) : value;
  }
  if (Array.isArray(value)) {
    return value.map((entry) => withTokens(entry, readToken));
  }
  if (value !== null && typeof value === "object") {
    return Object.fromEntries(
      Object.entries(value).map(([key, entry]) => [key, withTokens(entry, readToken)]),
    );
  }
  return value;
}

/**
 * The layout with the page's paper, ink and fonts where the figure does not say otherwise.
 * In a narrow box the names stand above their lines instead of beside them, so that the lines keep the width.
 */
export function pageLayout(layout, { ink, rule, font, size, isNarrow }) {
  const axis = { color: ink, gridcolor: rule, linecolor: ink, zerolinecolor: ink, automargin: true };
  const names = isNarrow ? { ticklabelposition: "inside top", ticklabelshift: 6, showgrid: false, tickfont: { color: ink } } : {};
  return {
    ...layout,
    paper_bgcolor: "rgba(0,0,0,0)",
    plot_bgcolor: "rgba(0,0,0,0)",
    font: { color: ink, family: font, size, ...layout.font },
    margin: { l: 16, r: 16, t: 24, b: 48, ...layout.margin },
    xaxis: {
      ...axis,
      tickangle: 0,
      ...layout.xaxis,
      title: { font: { size }, ...layout.xaxis?.title },
    },
    yaxis: { ...axis, ...names, ...layout.yaxis },
    dragmode: false,
    hovermode: layout.hovermode ?? "closest",
  };
}
