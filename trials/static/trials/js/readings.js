// View module: the readings kept so far, the superseded ones and those that wait on this tablet among them.

import { capital } from "./labels.js";

export function wireReadings(page, { onAmend }) {
  const section = page.querySelector("[data-readings]");
  const list = section.querySelector("[data-reading-list]");
  for (const button of list.querySelectorAll("[data-amend]")) {
    button.hidden = false;
  }
  list.addEventListener("click", (event) => {
    const button = event.target.closest("[data-amend]");
    if (button) {
      onAmend(button.dataset.amend);
    }
  });

  const itemOf = (id) => list.querySelector(`[data-reading="${CSS.escape(id)}"]`);

  function draw(reading, { words, interval, state }) {
    const drawn = page.querySelector("[data-reading-template]").content.cloneNode(true);
    const item = drawn.querySelector("li");
    item.dataset.reading = reading.id;
    item.dataset.readingState = state;
    item.querySelector(".bench-reading-words").textContent = words;
    item.querySelector("[data-interval]").textContent = interval;
    if (reading.reason) {
      const why = item.querySelector("[data-why]");
      why.textContent = `Amended because: ${reading.reason}`;
      why.hidden = false;
    }
    item.querySelector("[data-amend]").dataset.amend = reading.id;
    if (state === "sent") {
      // only the server's page knows it whole: amend it from there
      item.querySelector("[data-amend]").remove();
    }
    list.append(drawn);
    section.hidden = false;
    if (reading.supersedes) {
      supersede(itemOf(reading.supersedes));
    }
  }

  return {
    /** Add one that waits on this tablet; what it amends stays, marked. */
    addWaiting(reading) {
      this.remove(reading.id);
      const words = capital(reading.rater ? `${reading.words} (${reading.rater})` : reading.words);
      draw(reading, { words, interval: "On this tablet, not yet with the server.", state: "waiting" });
    },

    /** Add one that left from here after the page was drawn. */
    addSent(gone) {
      if (!itemOf(gone.id)) {
        const words = capital(gone.words || gone.label);
        draw({ id: gone.id }, { words, interval: "Sent from this tablet; it is on the server.", state: "sent" });
      }
    },

    /** The server has kept it: show it in the server's words. */
    settle(reading) {
      this.remove(reading.id);
      draw(reading, { words: sentence(reading), interval: intervalSentence(reading), state: "kept" });
    },

    remove(id) {
      itemOf(id)?.remove();
      section.hidden = !list.children.length;
    },

    /** How many stand here. */
    count: () => list.querySelectorAll("[data-reading]").length,
  };
}

function supersede(item) {
  if (!item) {
    return;
  }
  item.classList.add("bench-reading-superseded");
  item.querySelector("[data-superseded]").hidden = false;
  item.querySelector("[data-amend]")?.remove();
}

/** A reading as a sentence that starts with a capital. */
export function sentence(reading) {
  const words = capital(reading.words);
  return reading.rater ? `${words} (${reading.rater})` : words;
}

/** Its interval as a sentence; empty for a grade. */
export function intervalSentence(reading) {
  const words = reading.interval_words;
  return words ? `${capital(words)}.` : "";
}
