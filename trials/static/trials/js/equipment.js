// View module: what a run is made with, chosen while there is no network. With network the form posts itself.

import { mintId } from "./ids.js";
import { clearProblems, showProblems } from "./problems.js";
import { database, isOutOfReach, put, whenAnswered } from "./queue.js";
import { notStoredWords, REFUSED } from "./queue/flow.js";

const number = (box) => (box?.value ? Number(box.value) : null);
const words = (box) => (box?.value ? box.selectedOptions[0].textContent.trim() : "");

export function wireEquipment(page, data) {
  const section = page.querySelector("[data-equipment]");
  const form = section?.querySelector("[data-equipment-form]");
  if (!form) {
    return;
  }
  const list = section.querySelector("[data-equipment-list]");
  const about = `run:${data.run}`;
  const ofAll = `made-with:${data.addresses.checks}`; // of every run of this method

  form.addEventListener("submit", async (event) => {
    if (!isOutOfReach()) {
      return;
    }
    event.preventDefault();
    clearProblems(form);
    const { instrument, consumable, reason, for_the_rest: rest } = form.elements;
    const chosen = [words(instrument), words(consumable)].filter(Boolean).join("; ");
    if (!chosen) {
      showProblems(form, { "": "Choose an instrument or a consumable." });
      return;
    }
    const id = mintId((bytes) => crypto.getRandomValues(bytes));
    const isForAll = Boolean(rest?.checked);
    try {
      await put({
        kind: "equipment",
        id,
        address: data.addresses.equipment.replace("UUID", id),
        body: {
          run: data.run,
          instrument: number(instrument),
          consumable: number(consumable),
          reason: reason.value.trim(),
          for_the_rest: isForAll,
          chosen_at: new Date().toISOString(),
        },
        label: `Made with: ${chosen}`,
        about: isForAll ? ofAll : about,
        isClocked: true,
      });
    } catch (error) {
      showProblems(form, { "": notStoredWords(error) });
      return;
    }
    form.closest("details")?.removeAttribute("open");
    show(id, `Made with: ${chosen}`, { isSent: false });
  });

  function show(id, label, { isSent }) {
    const item = document.createElement("li");
    const name = label.replace(/^Made with: /u, "");
    item.textContent = isSent ? name : `${name}: kept on this tablet`;
    list.append(item);
    section.querySelector("[data-equipment-none]")?.remove();
    section.querySelector("[data-equipment-lacks]")?.remove();
    page.querySelector("[data-without-instrument]")?.setAttribute("open", "");
    if (!isSent) {
      follow(id, item, name);
    }
  }

  function follow(id, item, name) {
    whenAnswered(id).then(({ meaning, answer }) => {
      if (meaning === "kept") {
        item.textContent = name;
      } else if (meaning === "refused") {
        item.remove();
        form.closest("details")?.setAttribute("open", "");
        showProblems(form, answer.body.problems);
      } else {
        follow(id, item, name);
      }
    });
  }

  /** Chosen on this tablet since the page was drawn. */
  async function remember() {
    const drawn = Date.parse(document.querySelector("[data-queue]").dataset.drawnAt);
    const store = await database();
    for (const what of [about, ofAll]) {
      const { waiting, sent } = await store.about(what);
      for (const entry of waiting.filter((one) => one.kind === "equipment" && one.state !== REFUSED)) {
        show(entry.id, entry.label, { isSent: false });
      }
      for (const entry of sent.filter((one) => one.kind === "equipment" && one.at > drawn)) {
        show(entry.id, entry.label, { isSent: true });
      }
    }
  }
  remember();
}
