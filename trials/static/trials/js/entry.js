// View module: the form of a reading, from the first touch to 'kept' on the tablet and to the server's answer.

import { LOOKED_AGAIN, doubtAbout, impossible } from "./doubts.js";
import { entryOf } from "./entries.js";
import { mintId } from "./ids.js";
import { wireChallenge } from "./instruments/challenge.js";
import { wireDerived } from "./instruments/derived.js";
import { wireMassGain } from "./instruments/mass-gain.js";
import { wirePlain } from "./instruments/plain.js";
import { wireRisingSteps } from "./instruments/rising-steps.js";
import { wireTally } from "./instruments/tally.js";
import { wireTimer } from "./instruments/timer.js";
import { wireKeypad } from "./keypad.js";
import { capital, labelOf } from "./labels.js";
import { joined } from "./notes.js";
import { wirePhrases } from "./phrases.js";
import { clearProblems, showProblems } from "./problems.js";
import { database, put, whenAnswered } from "./queue.js";
import { draftFor } from "./queue/drafts.js";
import { REFUSED } from "./queue/flow.js";
import { intervalSentence, sentence, wireReadings } from "./readings.js";
import { showKeeping, showNotStored, showReady } from "./sending.js";

const INSTRUMENTS = {
  challenge: wireChallenge,
  timer: wireTimer,
  tally: wireTally,
  rising_steps: wireRisingSteps,
  mass_gain: wireMassGain,
};
const newId = () => mintId((bytes) => crypto.getRandomValues(bytes));

export function wireEntry(page, data, { specimenCheck }) {
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
  const about = `run:${data.run}`;
  const draft = draftFor(about);
  const doubt = form.querySelector("[data-doubt]");
  wireKeypad(root);
  wirePhrases(form);
  const drawDerived = wireDerived(form, data);

  // made when the form is drawn, so that however often it is sent it stays one reading
  let id = newId();
  let amended = null;
  let isOpen = section.dataset.takes === "yes";
  let isPassed = false;
  let lastKept = null;
  let sureOf = null;
  let draftIsShown = false;

  const state = () => ({
    id,
    amended,
    instrument: instrument.draft?.() ?? instrument.typed(),
    reason: form.elements.reason.value,
    note: form.elements.note.value,
  });

  for (const happening of ["input", "change", "click"]) {
    form.addEventListener(happening, (event) => {
      // typing in a box is kept soon; a button may have started a stopwatch, so that is kept at once
      if (happening !== "click" || event.target.closest("button[type=button]")) {
        (happening === "click" ? draft.keepNow : draft.keep)(state);
      }
    });
  }

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
        note: joined(
          form.elements.note.value,
          instrument.remarks?.(),
          sureOf === JSON.stringify(raw) ? LOOKED_AGAIN : "",
        ),
        supersedes: amended,
        reason: amended ? reason : "",
        specimen_check: amended ? null : specimenCheck(),
      },
    };
  }

  function amend(reading) {
    startAmending(reading);
    id = newId();
    const { raw, rater } = data.readings[reading];
    instrument.fill(raw);
    drawDerived();
    if (form.elements.rater) {
      form.elements.rater.value = rater;
    }
    head.tabIndex = -1;
    head.focus();
  }

  function startAmending(reading) {
    amended = reading;
    head.textContent = `Amend: ${data.readings[reading].words}`;
    if (form.elements.rater) {
      form.elements.rater.readOnly = true;
    }
    form.querySelector("[data-reason-field]").hidden = false;
    leave.hidden = false;
    kept.hidden = true;
    section.hidden = false;
  }

  leave.addEventListener("click", async () => {
    await draft.drop();
    window.location.reload();
  });

  // sure of this content only: another number is asked about again
  doubt.querySelector("[data-doubt-sure]").addEventListener("click", () => {
    sureOf = doubt.dataset.raw;
    doubt.hidden = true;
    form.requestSubmit(keep);
  });
  root.addEventListener("input", () => {
    doubt.hidden = true;
  });

  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    clearProblems(form);
    doubt.hidden = true;
    const now = content();
    Object.assign(now.problems, impossible(data.kind, now.content.raw, data.range, data.unit));
    if (Object.keys(now.problems).length) {
      showProblems(form, now.problems);
      return;
    }
    const question = doubtAbout(data.kind, now.content.raw, data.usual, data.unit);
    if (question && sureOf !== JSON.stringify(now.content.raw)) {
      doubt.querySelector("[data-doubt-words]").textContent = question;
      doubt.dataset.raw = JSON.stringify(now.content.raw);
      doubt.hidden = false;
      doubt.focus();
      return;
    }
    showKeeping(form, keep);
    const reading = { id, raw: now.content.raw, rater: now.content.rater, words: labelOf(data.kind, now.content.raw, data) };
    try {
      await put({
        kind: amended ? "amendment" : "reading",
        id,
        address: data.addresses.readings.replace("UUID", id),
        body: { ...now.content, measured_at: new Date().toISOString() },
        label: labelOf(data.kind, now.content.raw, { unit: data.unit, rater: now.content.rater }),
        about,
        isClocked: true,
      });
    } catch (error) {
      showNotStored(form, keep, error);
      return;
    }
    showReady(form, keep);
    keptHere(reading);
    draft.drop();
  });

  /** On this tablet's disk. The server's own words follow when it has answered. */
  function keptHere(reading) {
    lastKept = reading.id;
    whenAnswered(reading.id).then(({ meaning, answer }) => answered(reading, meaning, answer));
    showKept("Kept on this tablet", capital(reading.words), "It is sent as soon as the server answers.");
    data.readings[reading.id] = reading;
    readings.addWaiting({ ...reading, supersedes: amended, reason: amended ? form.elements.reason.value.trim() : "" });
  }

  function answered(reading, meaning, answer) {
    const isShown = lastKept === reading.id && !kept.hidden;
    if (meaning === "kept") {
      data.readings[reading.id] = answer.body;
      readings.settle(answer.body);
      if (isShown) {
        showKept("Kept", sentence(answer.body), intervalSentence(answer.body));
      }
    } else if (meaning === "kept beside") {
      readings.remove(reading.id);
      if (isShown) {
        showKept("Kept beside another reading", answer.body.problems[""].join(" "), "");
      }
    } else if (meaning === "refused" || meaning === "waits for another") {
      refused(reading.id, answer.body.problems, isShown);
    } else {
      // not answered for good: it waits in the queue, and this page goes on listening
      whenAnswered(reading.id).then((next) => answered(reading, next.meaning, next.answer));
    }
  }

  /** The server says why not: the form comes back as it was, and the same entry is put right. */
  function refused(refusedId, problems, isShown) {
    readings.remove(refusedId);
    if (id !== refusedId || !isShown) {
      return;
    }
    isOpen = true;
    kept.hidden = true;
    section.hidden = false;
    showProblems(form, problems);
  }

  function showKept(headWords, words, interval) {
    isOpen = false;
    section.hidden = true;
    kept.querySelector("[data-kept-head]").textContent = headWords;
    kept.querySelector("[data-kept-words]").textContent = words;
    kept.querySelector("[data-kept-interval]").textContent = interval;
    if (kept.hidden) {
      kept.hidden = false;
      kept.focus();
    }
  }

  /** What this tablet knows and the page does not: a kept page may be older than what was entered on it. */
  async function remember() {
    const store = await database();
    const [{ waiting, sent }, drafted] = await Promise.all([store.about(about), draft.read()]);
    const mine = waiting.filter((entry) => ["reading", "amendment"].includes(entry.kind));
    for (const entry of mine.filter((one) => one.state !== REFUSED)) {
      const reading = { ...entry.body, id: entry.id, words: entry.label };
      data.readings[entry.id] = reading;
      readings.addWaiting(reading);
      whenAnswered(entry.id).then(({ meaning, answer }) => answered(reading, meaning, answer));
    }
    for (const gone of sent.filter((one) => ["reading", "amendment"].includes(one.kind))) {
      readings.addSent(gone);
    }
    if (data.kind !== "grade" && readings.count() && !amended) {
      isOpen = false;
    }
    const turnedBack = mine.find((entry) => entry.state === REFUSED);
    if (turnedBack) {
      takeBack(turnedBack);
    } else if (drafted && !mine.some((entry) => entry.id === drafted.id) && !sent.some((one) => one.id === drafted.id)) {
      restore(drafted);
    }
    show();
  }

  function takeBack(entry) {
    if (entry.body.supersedes && data.readings[entry.body.supersedes]) {
      startAmending(entry.body.supersedes);
    }
    id = entry.id;
    isOpen = true;
    draftIsShown = true;
    instrument.fill(entry.body.raw);
    if (form.elements.rater) {
      form.elements.rater.value = entry.body.rater;
    }
    form.elements.note.value = entry.body.note;
    form.elements.reason.value = entry.body.reason;
    show();
    showProblems(form, entry.problems ?? {});
  }

  function restore(drafted) {
    if (drafted.amended && data.readings[drafted.amended]) {
      startAmending(drafted.amended);
    } else if (drafted.amended) {
      return;
    }
    id = drafted.id;
    draftIsShown = true;
    (instrument.restore ?? instrument.fill)(drafted.instrument);
    form.elements.reason.value = drafted.reason;
    form.elements.note.value = drafted.note;
    if (drafted.note) {
      form.elements.note.closest("details")?.setAttribute("open", "");
    }
  }

  function show() {
    if (amended || draftIsShown) {
      // it may be folded away where the page asks for something else first
      section.closest("details")?.setAttribute("open", "");
    }
    section.hidden = !(amended || (isOpen && isPassed));
  }

  remember();

  return {
    /** The checks are passed: show the form, when a reading is awaited. */
    open() {
      isPassed = true;
      show();
    },
    /** The checks are due: nothing may be started; what was typed stays. */
    close() {
      isPassed = false;
      show();
    },
  };
}
