// Entry module of the page that lists what waits on this tablet.

import { capital } from "../labels.js";
import { changed, database, flush, listen, whoseQueue } from "../queue.js";
import { inOrder } from "./drawing.js";
import { fileOf } from "./export.js";
import { BESIDE, REFUSED, WAITING } from "./flow.js";
import { handedOver, stateWords } from "./rows.js";

const PAGE = 50;

const section = document.querySelector("[data-waiting-page]");
const list = section.querySelector("[data-waiting-list]");
const none = section.querySelector("[data-waiting-none]");
const more = section.querySelector("[data-waiting-more]");
const others = section.querySelector("[data-waiting-others]");
const template = section.querySelector("[data-waiting-row]");
const tools = section.querySelector("[data-waiting-tools]");
const said = section.querySelector("[data-waiting-said]");
let shown = PAGE;

const draw = inOrder(async () => {
  const store = await database();
  const [entries, counts] = await Promise.all([
    store.list({ by: whoseQueue.person, most: shown }),
    store.counts(whoseQueue.person),
  ]);
  const total = counts.waiting + counts.refused + counts.beside;
  const focused = document.activeElement?.closest("[data-entry-id]")?.dataset.entryId;
  list.replaceChildren(...entries.map(row));
  if (focused) {
    list.querySelector(`[data-entry-id="${CSS.escape(focused)}"] .big-button`)?.focus();
  }
  none.hidden = total > 0;
  tools.hidden = total + counts.others.length === 0;
  more.hidden = total <= shown;
  more.textContent = `Show more (${total - entries.length} further)`;
  others.replaceChildren(
    ...counts.others.map(({ name, count }) => {
      const item = document.createElement("li");
      item.textContent = `${count} of ${name}, sent when ${name} signs in on this tablet.`;
      return item;
    }),
  );
  others.closest("[data-waiting-others-part]").hidden = !counts.others.length;
}, requestAnimationFrame);

function row(entry) {
  const drawn = template.content.cloneNode(true);
  const item = drawn.querySelector("li");
  const part = (name) => item.querySelector(`[data-row-${name}]`);
  item.dataset.entryId = entry.id;
  item.dataset.state = entry.state;
  part("label").textContent = capital(entry.label);
  part("made").textContent = new Date(entry.made_at).toLocaleString("en-GB", {
    day: "numeric",
    month: "long",
    hour: "2-digit",
    minute: "2-digit",
  });
  part("state").textContent = stateWords(entry);
  part("page").href = entry.page;
  part("problems").replaceChildren(
    ...Object.values(entry.problems ?? {})
      .flat()
      .map((sentence) => {
        const line = document.createElement("li");
        line.textContent = sentence;
        return line;
      }),
  );
  const both = part("both");
  both.hidden = !(entry.state === BESIDE && entry.standing);
  if (!both.hidden) {
    part("standing").textContent = `${entry.standing.words}, by ${entry.standing.by}`;
    part("mine").textContent = `${entry.label}, by ${entry.by_name}`;
  }
  part("seen").hidden = entry.state !== BESIDE;
  part("again").hidden = entry.state !== REFUSED;
  part("hand").hidden = entry.state !== REFUSED || entry.has_blob || entry.kind === "held";
  return drawn;
}

list.addEventListener("click", async ({ target }) => {
  const button = target.closest("button");
  const id = button?.closest("[data-entry-id]")?.dataset.entryId;
  if (!id) {
    return;
  }
  const store = await database();
  if ("rowSeen" in button.dataset) {
    // both contents are on the server: only the reminder goes
    const entry = await store.get(id);
    await store.leave(id, { kind: entry.kind, about: null, by: entry.by, label: entry.label, words: "", at: Date.now() });
  } else if ("rowAgain" in button.dataset) {
    await store.change(id, { state: WAITING, problems: null, next_at: Date.now() });
  } else if ("rowHand" in button.dataset) {
    await store.change(id, handedOver(await store.get(id), section.dataset.held, Date.now()));
  }
  changed(id);
  draw();
});

more.addEventListener("click", () => {
  shown += PAGE;
  draw();
});

section.querySelector("[data-send-now]").addEventListener("click", () => flush());

section.querySelector("[data-save-file]").addEventListener("click", async () => {
  const file = await fileOf(await database(), new Date());
  const link = document.createElement("a");
  link.href = URL.createObjectURL(new Blob([file.text], { type: "application/json" }));
  link.download = file.name;
  link.click();
  URL.revokeObjectURL(link.href);
  said.textContent = `Saved as a file: ${file.count} ${file.count === 1 ? "entry" : "entries"}. They also stay here until the server has them.`;
});

for (const name of ["changed", "answered"]) {
  listen(name, draw);
}
draw();
