// View module: on a sheet, which runs were entered on this tablet since the sheet was drawn, and what comes next then.

import { database, listen } from "../queue.js";
import { enteredRuns } from "./entered.js";

const RUN = /\/runs\/(\d+)\/$/u;

const runOf = (link) => RUN.exec(new URL(link.href).pathname)?.[1] ?? null;

export async function wireMarks(page, drawnAt) {
  const links = [...page.querySelectorAll("a.bench-link")].filter(runOf);
  const next = page.querySelector("a[data-next-run]");
  if (!links.length) {
    return;
  }
  async function draw() {
    const store = await database();
    const found = await store.aboutMany(links.map((link) => `run:${runOf(link)}`));
    const entered = enteredRuns(found, drawnAt);
    for (const link of links) {
      mark(link, entered.get(`run:${runOf(link)}`));
    }
    if (next && entered.has(`run:${runOf(next)}`)) {
      comeNext(next, links.find((link) => link.matches(".bench-link-to-do") && !entered.has(`run:${runOf(link)}`)));
    }
  }
  for (const name of ["changed", "answered"]) {
    listen(name, draw);
  }
  await draw();
}

function mark(link, words) {
  let place = link.querySelector("[data-entered]");
  if (!words) {
    place?.remove();
    return;
  }
  if (!place) {
    place = document.createElement("strong");
    place.dataset.entered = "";
    link.append(place);
  }
  if (place.textContent !== words) {
    place.textContent = words;
  }
}

/** The large button leads to the first run that nobody has entered here; without one it says so. */
function comeNext(button, link) {
  if (link) {
    button.href = link.href;
    button.textContent = `Next: ${link.querySelector(".bench-link-head").textContent}`;
  } else {
    button.replaceWith("Every run shown here is entered on this tablet.");
  }
}
