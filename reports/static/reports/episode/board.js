// Entry module: the board of an episode. Segments keep themselves; order by drag and by keyboard; figures at hand.

import { moved, putBefore } from "./order.js";
import { SegmentEditor } from "./segment.js";

const board = document.querySelector("[data-board]");
const figures = JSON.parse(document.getElementById("figures").textContent);
const list = board.querySelector("[data-order]");
const orderTold = board.querySelector("[data-order-told]");
const stateUrl = new URL("state.json", window.location.href);
let lastWritten = null;

const editors = [...board.querySelectorAll("[data-segment-editor]")].map(
  (root) => new SegmentEditor(root, { figures, onState, standUrl: board.dataset.standUrl }),
);

for (const editor of editors) {
  editor.root.addEventListener("focusin", () => {
    lastWritten = editor;
  });
}

async function onState(told) {
  const state = told ?? (await (await fetch(stateUrl, { headers: { Accept: "application/json" } })).json());
  for (const row of state.segments) {
    editors.find((editor) => editor.pk === row.pk)?.showState(row);
    const line = list.querySelector(`[data-segment="${row.pk}"]`);
    if (line) {
      line.querySelector("[data-length]").textContent = row.length;
      const marks = [];
      if (row.open_flags) {
        marks.push(`${row.open_flags} flagged`);
      }
      if (row.stale.length) {
        marks.push("read again");
      }
      line.querySelector("[data-marks]").textContent = marks.join(", ");
    }
  }
  for (const editor of editors) {
    const line = list.querySelector(`[data-segment="${editor.pk}"] [data-order-title]`);
    if (line) {
      line.textContent = editor.kept.title;
    }
  }
  board.querySelector("[data-total-clock]").textContent = state.clock;
  board.querySelector("[data-total-over]").textContent = state.over_words;
  board.querySelector("[data-total-share]").value = state.share;
}

// --- running order ---

function keys() {
  return [...list.children].map((line) => Number(line.dataset.segment));
}

function lay(order) {
  for (const pk of order) {
    list.append(list.querySelector(`[data-segment="${pk}"]`));
  }
  const script = board.querySelector(".desk-script");
  for (const pk of order) {
    script.append(document.getElementById(`segment-${pk}`));
  }
}

async function keepOrder(order, told) {
  const before = keys();
  lay(order);
  const answer = await fetch(board.dataset.orderUrl, {
    method: "POST",
    headers: { "Content-Type": "application/json", "X-CSRFToken": editors[0].token },
    body: JSON.stringify({ order, version: Number(board.dataset.version) }),
  });
  const state = await answer.json();
  if (!answer.ok) {
    lay(before);
    orderTold.textContent = state.problems.join(" ");
    orderTold.classList.remove("visually-hidden");
    return;
  }
  board.dataset.version = state.version;
  for (const input of list.querySelectorAll("[data-order-version]")) {
    input.value = state.version;
  }
  orderTold.textContent = told;
  onState(state);
}

list.addEventListener("click", (event) => {
  const button = event.target.closest("[data-move]");
  if (!button) {
    return;
  }
  event.preventDefault();
  const line = button.closest("[data-segment]");
  const pk = Number(line.dataset.segment);
  const order = moved(keys(), pk, Number(button.dataset.move));
  const title = line.querySelector("[data-order-title]").textContent;
  keepOrder(order, `${title} is now number ${order.indexOf(pk) + 1}.`);
  button.focus();
});

let dragged = null;

list.addEventListener("dragstart", (event) => {
  dragged = event.target.closest("[data-segment]");
  dragged.classList.add("is-dragged");
  event.dataTransfer.effectAllowed = "move";
  event.dataTransfer.setData("text/plain", dragged.dataset.segment);
});
list.addEventListener("dragover", (event) => {
  const over = event.target.closest("[data-segment]");
  if (dragged && over) {
    event.preventDefault();
    for (const line of list.children) {
      line.classList.toggle("is-over", line === over && line !== dragged);
    }
  }
});
list.addEventListener("drop", (event) => {
  const over = event.target.closest("[data-segment]");
  if (dragged && over && over !== dragged) {
    event.preventDefault();
    const pk = Number(dragged.dataset.segment);
    const order = putBefore(keys(), pk, Number(over.dataset.segment));
    const title = dragged.querySelector("[data-order-title]").textContent;
    keepOrder(order, `${title} is now number ${order.indexOf(pk) + 1}.`);
  }
});
list.addEventListener("dragend", () => {
  for (const line of list.children) {
    line.classList.remove("is-over", "is-dragged");
  }
  dragged = null;
});

// --- figures and shots at the side ---

function narrow(find, lines) {
  find.addEventListener("input", () => {
    const parts = find.value.trim().toLowerCase().split(/\s+/).filter(Boolean);
    for (const line of lines) {
      const hay = line.textContent.toLowerCase();
      line.hidden = !parts.every((part) => hay.includes(part));
    }
  });
}

narrow(board.querySelector("[data-figure-find]"), board.querySelectorAll("[data-figure]"));
narrow(board.querySelector("[data-shot-find]"), board.querySelectorAll("[data-shot-choice]"));
board.querySelector("[data-shot-list]").addEventListener("click", (event) => {
  const button = event.target.closest("[data-shot]");
  if (button) {
    (lastWritten ?? editors[0])?.addShot(button.dataset.shotTitle, button.dataset.shot);
  }
});
board.querySelector("[data-figure-list]").addEventListener("click", (event) => {
  const button = event.target.closest("[data-insert]");
  if (button) {
    (lastWritten ?? editors[0])?.insert(button.dataset.insert);
  }
});

// --- leaving with words not kept ---

window.addEventListener("beforeunload", (event) => {
  if (editors.some((editor) => editor.isUnkept)) {
    event.preventDefault();
  }
});

onState(null);
