// View module: the form of a reading, from the first touch to the server's answer.

import { meaningOf } from "./answers.js";
import { attemptFor } from "./attempts.js";
import { entryOf } from "./entries.js";
import { mintId } from "./ids.js";
import { wireDerived } from "./instruments/derived.js";
import { wireMassGain } from "./instruments/mass-gain.js";
import { wirePlain } from "./instruments/plain.js";
import { wireRisingSteps } from "./instruments/rising-steps.js";
import { wireTally } from "./instruments/tally.js";
import { wireTimer } from "./instruments/timer.js";
import { wireKeypad } from "./keypad.js";
import { clearProblems, showProblems } from "./problems.js";
import { intervalSentence, sentence, wireReadings } from "./readings.js";
import { showAnswered, showNotSent, showSending } from "./sending.js";

const INSTRUMENTS = { timer: wireTimer, tally: wireTally, rising_steps: wireRisingSteps, mass_gain: wireMassGain };

export function wireEntry(page, data, client) {
  const section = page.querySelector("[data-entry-section]");
  if (!section) {
    return { open: () => {}, close: () => {} };
  }
  const form = section.querySelector("[data-entry]");
  const root = form.querySelector("[data-instrument]");
  const keep = form.querySelector("[data-keep]");
  const head = section.querySelector("[data-entry-head]");
  const kept = page.querySelector("[data-kept]");
  const leave = form.querySelector("[data-leave-amendment]");
  const instrument = (INSTRUMENTS[data.kind] ?? wirePlain)(root, data);
  const readings = wireReadings(page, { onAmend: amend });
  wireKeypad(root);
  const drawDerived = wireDerived(form, data);

  // made when the form is drawn, so that however often it is sent it stays one reading
  let id = mintId((bytes) => crypto.getRandomValues(bytes));
  let attempt = null;
  let amended = null;
  let isOpen = section.dataset.takes === "yes";
  let isDirty = false;

  form.addEventListener("input", () => {
    isDirty = true;
  });
  root.addEventListener("click", (event) => {
    isDirty ||= event.target.closest("button") !== null;
  });
  window.addEventListener("beforeunload", (event) => {
    if (isDirty) {
      event.preventDefault();
    }
  });

  function content() {
    const typed = instrument.typed();
    const { raw, problems } = entryOf(data.kind, typed);
    const reason = form.elements.reason.value.trim();
    if (amended && !reason) {
      problems.reason = "Say why the reading is amended.";
    }
    return {
      problems,
      content: {
        run: data.run,
        raw,
        rater: typed.rater ?? "",
        note: form.elements.note.value.trim(),
        supersedes: amended,
        reason: amended ? reason : "",
      },
    };
  }

  function amend(reading) {
    amended = reading;
    id = mintId((bytes) => crypto.getRandomValues(bytes));
    attempt = null;
    const { raw, rater, words } = data.readings[reading];
    head.textContent = `Amend: ${words}`;
    instrument.fill(raw);
    drawDerived();
    if (form.elements.rater) {
      form.elements.rater.value = rater;
      form.elements.rater.readOnly = true;
    }
    form.querySelector("[data-reason-field]").hidden = false;
    leave.hidden = false;
    kept.hidden = true;
    section.hidden = false;
    head.tabIndex = -1;
    head.focus();
  }

  leave.addEventListener("click", () => {
    isDirty = false;
    window.location.reload();
  });

  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    clearProblems(form);
    const now = content();
    if (Object.keys(now.problems).length) {
      showProblems(form, now.problems);
      return;
    }
    attempt = attemptFor(attempt, id, now.content, new Date());
    showSending(form, keep);
    const answer = await client.send("PUT", data.addresses.readings.replace("UUID", attempt.id), attempt.body);
    finish(meaningOf(answer, (body) => body.id === attempt.id), answer);
  });

  function finish(meaning, answer) {
    if (meaning === "kept") {
      showAnswered(form, keep, "Keep");
      showKept("Kept", answer.body);
      data.readings[answer.body.id] = answer.body;
      readings.add(answer.body);
    } else if (meaning === "kept beside") {
      showAnswered(form, keep, "Keep");
      showKept("Kept beside another reading", answer.body.standing, answer.body.problems[""].join(" "));
    } else if (meaning === "refused") {
      showAnswered(form, keep, "Keep");
      showProblems(form, answer.body.problems);
    } else {
      showNotSent(form, keep, meaning, answer);
    }
  }

  function showKept(words, reading, explanation = null) {
    isDirty = false;
    isOpen = false;
    section.hidden = true;
    kept.querySelector("[data-kept-head]").textContent = words;
    kept.querySelector("[data-kept-words]").textContent = explanation ?? sentence(reading);
    kept.querySelector("[data-kept-interval]").textContent = explanation ? "" : intervalSentence(reading);
    kept.hidden = false;
    kept.focus();
  }

  return {
    /** The checks are passed: show the form, when a reading is awaited. */
    open() {
      section.hidden = !isOpen && !amended;
    },
    /** The checks are due: nothing may be started; what was typed stays. */
    close() {
      section.hidden = !amended;
    },
  };
}
