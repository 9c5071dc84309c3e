// View module: a level and held or failed; where the method goes up and down, with the level of the next shot.

import { database } from "../queue.js";
import { BESIDE } from "../queue/flow.js";
import { gathered, nextLevel, plotted, shotWords } from "../up-and-down.js";
import { wirePlain } from "./plain.js";

export function wireChallenge(root, data) {
  const shown = root.querySelector("[data-next-shot]");
  if (shown) {
    propose(root, data, shown);
  }
  return wirePlain(root);
}

async function propose(root, data, shown) {
  const { told, runs } = data.shots;
  const levels = data.levels.map((level) => level.value);
  const say = (level) => data.levels.find((known) => known.value === level)?.words ?? `${level} ${data.unit}`;
  const isTold = new Set(told.map((shot) => shot.run));
  const others = runs.filter((run) => run !== data.run);
  const found = await (await database()).aboutMany(others.map((run) => `run:${run}`));
  const shots = gathered(told, found.flatMap((one) => entered(one, isTold)));
  const next = nextLevel(levels, shots, data.step_rule);
  shown.textContent = shotWords(levels, shots, say, data.step_rule, runs.length);
  listShots(root.querySelector("[data-shots]"), shots, say);
  drawShots(root.querySelector("[data-shots-drawing]"), plotted(levels, shots, runs.length), say);
  const boxes = [...root.querySelectorAll("[name=level]")];
  const proposed = boxes.find((box) => Number(box.value) === next);
  // what a person chose before, or an unfinished entry brought back, stays
  if (proposed && !boxes.some((box) => box.checked)) {
    proposed.checked = true;
    proposed.dispatchEvent(new Event("input", { bubbles: true }));
  }
}

/** What this tablet entered about one run; where the server has told of what was sent, its word counts. */
function entered({ about, waiting, sent }, isTold) {
  const run = Number(about.slice("run:".length));
  return [...(isTold.has(run) ? [] : sent), ...waiting]
    .filter((one) => one.state !== BESIDE && ["reading", "amendment", "void"].includes(one.kind))
    .map((one) => ({ run, raw: one.kind === "void" ? null : (one.raw ?? one.body?.raw), at: one.made_at }))
    .filter(({ raw }) => raw !== undefined);
}

/** What a careful lab draws beside it: a filled mark failed, an open one held. The list says the same in words. */
function drawShots(drawing, { width, height, rows, marks }, say) {
  drawing.hidden = !marks.length;
  const room = 64; // for the levels' words, left of the shots
  drawing.querySelector("svg").setAttribute("viewBox", `0 0 ${room + width} ${height}`);
  drawing.querySelector("[data-rows]").replaceChildren(
    ...rows.flatMap(({ level, y }) => [
      shape("line", { class: "shots-row", x1: room, x2: room + width, y1: y, y2: y }),
      Object.assign(shape("text", { class: "shots-level", x: room - 6, y: y + 4 }), { textContent: say(level) }),
    ]),
  );
  const path = marks.map(({ x, y }) => `${room + x},${y}`).join(" ");
  drawing
    .querySelector("[data-marks]")
    .replaceChildren(
      shape("polyline", { class: "shots-path", points: path }),
      ...marks.map(({ x, y, outcome }) => shape("circle", { class: `shots-${outcome}`, cx: room + x, cy: y, r: 6 })),
    );
}

function shape(name, attributes) {
  const made = document.createElementNS("http://www.w3.org/2000/svg", name);
  for (const [key, value] of Object.entries(attributes)) {
    made.setAttribute(key, value);
  }
  return made;
}

function listShots(list, shots, say) {
  list.hidden = !shots.length;
  list.replaceChildren(
    ...shots.map(({ level, outcome }) => {
      const item = document.createElement("li");
      item.dataset.outcome = outcome;
      item.textContent = `${say(level)} ${outcome}`;
      return item;
    }),
  );
}
