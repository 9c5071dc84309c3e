// View module: what lies on the rig. Until its code and zone are the run's own there is nothing to enter into.
// After a wrong one the right one needs a reason: what was swapped is part of the record.

import { compare } from "./codes.js";
import { mintId } from "./ids.js";
import { clearProblems, showProblems } from "./problems.js";
import { put } from "./queue.js";
import { notStoredWords } from "./queue/flow.js";
import { wireScan } from "./scan.js";

/** Returns a function that gives the check made on this page, for the reading to carry; null without one. */
export function wireSpecimen(page, data, { onPassed, onDue }) {
  const section = page.querySelector("[data-specimen]");
  if (!section) {
    onPassed();
    return () => null;
  }
  const form = section.querySelector("[data-specimen-form]");
  const passed = section.querySelector("[data-specimen-passed]");
  const again = section.querySelector("[data-specimen-again]");
  const box = form.elements.code;
  // of this person: who takes the tablet over looks for themselves
  const memory = `rig-${data.user}-${data.run}`;
  const swap = form.querySelector("[data-swap]");
  // from the sheet: the code that was scanned there, and why the run is made before its turn
  const told = new URLSearchParams(window.location.hash.slice(1));
  const why = (told.get("why") ?? "").slice(0, 500);
  form.elements.reason.value = why;
  let scanned = "";
  let onRig = null;
  let wasWrong = sessionStorage.getItem(`${memory}-wrong`) !== null;

  function show(found) {
    onRig = found;
    swap.hidden = !(wasWrong || why);
    form.hidden = found !== null;
    passed.hidden = again.hidden = found === null;
    if (found === null) {
      onDue();
      return;
    }
    passed.textContent = `${found.check.code}, ${found.zone_words}: ${found.check.how} at ${found.at}.`;
    onPassed();
  }

  /** Keep what was found, right or wrong; a wrong one is a near miss worth knowing of. */
  async function keep(check) {
    const id = mintId((bytes) => crypto.getRandomValues(bytes));
    await put({
      kind: "specimen check",
      id,
      address: data.addresses.specimen_checks.replace("UUID", id),
      body: { run: data.run, ...check },
      label: `On the rig: ${check.code}`,
      about: `run:${data.run}`,
      isClocked: true,
    });
    return { id, ...check };
  }

  function becomeWrong() {
    wasWrong = true;
    sessionStorage.setItem(`${memory}-wrong`, "yes");
    swap.hidden = false;
  }

  async function judge({ how }) {
    clearProblems(form);
    const found = compare(box.value, { wanted: data.specimen.code, isBlind: data.specimen.is_blind });
    // a single radio is no list and has its value checked or not
    const zone = form.querySelector("[name=zone]:checked")?.value ?? "";
    const problems = {};
    if (!box.value.trim()) {
      problems.code = "Scan the label or type the code on it.";
    } else if (!found.isRight) {
      problems.code = found.problem;
    }
    if (!zone) {
      problems.zone = "Choose the zone that is under the tool.";
    } else if (zone !== data.specimen.zone) {
      problems.zone = `Stop: this run is for ${data.specimen.zones[data.specimen.zone]}, not ${data.specimen.zones[zone]}. Nothing is lost yet.`;
    }
    const isRight = !Object.keys(problems).length;
    const reason = swap.hidden ? "" : form.elements.reason.value.trim();
    if (isRight && wasWrong && !reason) {
      problems.reason = "Say what was wrong on the rig, and what was swapped.";
    }
    let check = null;
    try {
      if (found.code && zone && !problems.reason) {
        check = await keep({ code: found.code, zone, how, reason, checked_at: new Date().toISOString() });
      }
    } catch (error) {
      showProblems(form, { "": notStoredWords(error) });
      return;
    }
    if (Object.keys(problems).length) {
      if (check) {
        becomeWrong();
      }
      showProblems(form, problems);
      return;
    }
    wasWrong = false;
    sessionStorage.removeItem(`${memory}-wrong`);
    const at = new Date().toLocaleTimeString("en-GB", { hour: "2-digit", minute: "2-digit" });
    const right = { check, zone_words: data.specimen.zones[zone], at };
    sessionStorage.setItem(memory, JSON.stringify(right));
    show(right);
    passed.tabIndex = -1;
    passed.focus();
  }

  form.addEventListener("submit", (event) => {
    event.preventDefault();
    judge({ how: scanned && box.value === scanned ? "scanned" : "typed" });
  });
  again.addEventListener("click", () => {
    sessionStorage.removeItem(memory);
    box.value = "";
    show(null);
    box.focus();
  });
  wireScan(form, (text) => {
    const found = compare(text, { wanted: data.specimen.code, isBlind: data.specimen.is_blind });
    scanned = found.code || text.slice(0, 40);
    box.value = scanned;
    clearProblems(form);
    if (found.isRight) {
      form.querySelector("[name=zone]")?.focus();
    } else {
      showProblems(form, { code: found.problem });
    }
  });

  // scanned on the sheet, which led here: the code need not be read a second time
  const fromSheet = told.get("code");
  if (fromSheet) {
    scanned = fromSheet.slice(0, 40);
    box.value = scanned;
  }
  for (const button of form.querySelectorAll("[data-swap-phrase]")) {
    button.addEventListener("click", () => {
      form.elements.reason.value = button.textContent.trim();
    });
  }
  const known = JSON.parse(sessionStorage.getItem(memory) ?? "null");
  show(known?.check ? known : null);
  return () => onRig?.check ?? null;
}
