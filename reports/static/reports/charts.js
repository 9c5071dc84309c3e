// Entry module: draws each [data-plot] figure when it comes near the window. The page is complete without it.

import { pageLayout, withTokens } from "./chart-theme.js";
import { stepTo, wordsOf } from "./chart-steps.js";

const CONFIG = { displayModeBar: false, responsive: true, scrollZoom: false, doubleClick: false };
const NARROW_PX = 560;
// The library writes the styles of its maps into the page unless an element has this id. No page here draws a map, and the
// page's security rules forbid such styles, so the library's own script takes the id.
const MAP_STYLES_ID = "9f215cf04c5486422605d13261cb87401f4e7763b6296af81e98efbc0130da53";
const source = document.querySelector("script[data-plotly-src]").dataset.plotlySrc;
const figures = new Map(
  JSON.parse(document.getElementById("plot-figures").textContent).map((figure) => [figure.id, figure]),
);
const drawn = new Set();
let library;

/** Asks for the chart library once, whichever figure comes first. */
function loadLibrary() {
  library ??= new Promise((resolve, reject) => {
    const script = document.createElement("script");
    script.id = MAP_STYLES_ID;
    script.src = source;
    script.onload = () => resolve(window.Plotly);
    script.onerror = () => reject(new Error("the chart library did not load"));
    document.head.append(script);
  });
  return library;
}

function draw(plotly, box) {
  const looks = getComputedStyle(document.documentElement);
  const readToken = (name) => looks.getPropertyValue(name).trim();
  const figure = withTokens(figures.get(box.dataset.plot), readToken);
  const layout = pageLayout(figure.layout, {
    ink: readToken("--ink"),
    rule: readToken("--rule"),
    font: readToken("--sans"),
    size: parseFloat(looks.fontSize) * 0.875,
    isNarrow: box.clientWidth < NARROW_PX,
  });
  // the library forgets the figure's height when the window changes; the box remembers it
  box.style.blockSize = `${layout.height}px`;
  return plotly.react(box, figure.data, layout, CONFIG);
}

async function show(box) {
  try {
    await draw(await loadLibrary(), box);
    drawn.add(box);
  } catch {
    box.textContent = box.dataset.failed;
  }
}

/** Arrow keys go from reading to reading; the words are shown below the chart and told to screen readers. */
function readByKeys(box) {
  const told = document.getElementById(box.getAttribute("aria-describedby"));
  let place = -1;
  box.addEventListener("keydown", async (event) => {
    const figure = figures.get(box.dataset.plot);
    const next = stepTo(figure, place, event.key);
    if (next === null || !drawn.has(box)) {
      return;
    }
    event.preventDefault();
    place = next;
    const { words, curve, point } = wordsOf(figure, place);
    told.textContent = words;
    const plotly = await loadLibrary();
    plotly.Fx.hover(box, [{ curveNumber: curve, pointNumber: point }]);
  });
}

const watcher = new IntersectionObserver(
  (entries) => {
    for (const { isIntersecting, target } of entries) {
      if (isIntersecting) {
        watcher.unobserve(target);
        show(target);
      }
    }
  },
  { rootMargin: "200px" },
);

for (const box of document.querySelectorAll("[data-plot]")) {
  watcher.observe(box);
  if (box.tabIndex === 0) {
    readByKeys(box);
  }
}

// Paper and ink change places when the reader's system does; drawings follow.
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", async () => {
  const plotly = await loadLibrary();
  for (const box of drawn) {
    draw(plotly, box);
  }
});
