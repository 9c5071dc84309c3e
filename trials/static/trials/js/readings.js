// View module: the readings kept so far, the superseded ones among them.

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

  return {
    /** Add what the server kept; what it supersedes stays, marked. */
    add(reading) {
      const drawn = page.querySelector("[data-reading-template]").content.cloneNode(true);
      const item = drawn.querySelector("li");
      item.dataset.reading = reading.id;
      item.querySelector(".bench-reading-words").textContent = sentence(reading);
      item.querySelector("[data-interval]").textContent = intervalSentence(reading);
      if (reading.reason) {
        const why = item.querySelector("[data-why]");
        why.textContent = `Amended because: ${reading.reason}`;
        why.hidden = false;
      }
      item.querySelector("[data-amend]").dataset.amend = reading.id;
      list.append(drawn);
      section.hidden = false;
      if (reading.supersedes) {
        supersede(list.querySelector(`[data-reading="${CSS.escape(reading.supersedes)}"]`));
      }
    },
  };
}

function supersede(item) {
  item.classList.add("bench-reading-superseded");
  item.querySelector("[data-superseded]").hidden = false;
  item.querySelector("[data-amend]")?.remove();
}

/** A reading as a sentence that starts with a capital. */
export function sentence(reading) {
  const words = reading.words.charAt(0).toUpperCase() + reading.words.slice(1);
  return reading.rater ? `${words} (${reading.rater})` : words;
}

/** Its interval as a sentence; empty for a grade. */
export function intervalSentence(reading) {
  const words = reading.interval_words;
  return words ? `${words.charAt(0).toUpperCase()}${words.slice(1)}.` : "";
}
