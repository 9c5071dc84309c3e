// View module: the safety checks, each ticked by itself. Until they are passed there is nothing to enter into.

import { mintId } from "./ids.js";
import { clearProblems, showProblems } from "./problems.js";
import { database, put, serverNow, whenAnswered } from "./queue.js";
import { notStoredWords } from "./queue/flow.js";

const LASTS_MS = 12 * 3600 * 1000; // as the server counts it

export function wireChecks(page, data, { onPassed, onDue }) {
  const section = page.querySelector("[data-checks]");
  if (!section) {
    onPassed();
    return;
  }
  const form = section.querySelector("[data-checks-form]");
  const passed = section.querySelector("[data-checks-passed]");
  const button = form.querySelector("[type=submit]");
  const about = `checks:${data.addresses.checks}`;
  let timer = null;

  async function settle(until) {
    clearTimeout(timer);
    const left = until ? until - (await serverNow()) : 0;
    form.hidden = left > 0;
    passed.hidden = left <= 0;
    if (left > 0) {
      onPassed();
      timer = setTimeout(() => settle(until), Math.min(left, 2 ** 31 - 1));
    } else {
      onDue();
    }
  }

  /** Passed on this tablet a while ago, perhaps without network and after the page was drawn. */
  async function knownHere() {
    const { waiting, sent } = await (await database()).about(about);
    const mine = [...waiting.filter((entry) => entry.state !== "refused"), ...sent].filter((entry) => entry.by === data.user);
    return Math.max(0, ...mine.map((entry) => entry.made_at + (entry.clock_offset_s ?? 0) * 1000 + LASTS_MS));
  }

  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    clearProblems(form);
    const boxes = [...form.querySelectorAll("input[type=checkbox]")];
    const answers = Object.fromEntries(boxes.map((box) => [box.name, box.checked]));
    const missing = boxes.filter((box) => !box.checked).map((box) => [box.name, "Not ticked yet."]);
    const watcher = form.elements.watcher?.value.trim() ?? "";
    if (form.elements.watcher && !watcher) {
      missing.push(["watcher", "Name the person who watches and can reach the stop."]);
    }
    if (missing.length) {
      showProblems(form, Object.fromEntries(missing));
      return;
    }
    button.disabled = true;
    const id = mintId((bytes) => crypto.getRandomValues(bytes));
    try {
      await put({
        kind: "checks",
        id,
        method: "POST",
        address: data.addresses.checks,
        body: { entry: id, answers, watcher, passed_at: new Date().toISOString() },
        label: `Safety checks passed: ${section.dataset.method}`,
        about,
        isClocked: true,
      });
    } catch (error) {
      showProblems(form, { "": notStoredWords(error) });
      return;
    } finally {
      button.disabled = false;
    }
    settle((await serverNow()) + LASTS_MS);
    whenAnswered(id).then(({ meaning, answer }) => {
      if (meaning === "refused") {
        settle(null);
        showProblems(form, answer.body.problems);
      }
    });
  });

  const drawn = section.dataset.until ? Date.parse(section.dataset.until) : 0;
  settle(drawn);
  knownHere().then((known) => {
    if (known > drawn) {
      settle(known);
    }
  });
}
