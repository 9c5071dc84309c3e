// View module: what lies on the rig. Until its code and zone are the run's own there is nothing to enter into.

import { compare } from "./codes.js";
import { mintId } from "./ids.js";
import { clearProblems, showProblems } from "./problems.js";
import { put } from "./queue.js";
import { notStoredWords } from "./queue/flow.js";
import { wireScan } from "./scan.js";

export function wireSpecimen(page, data, { onPassed, onDue }) {
  const section = page.querySelector("[data-specimen]");
  if (!section) {
    onPassed();
    return;
  }
  const form = section.querySelector("[data-specimen-form]");
  const passed = section.querySelector("[data-specimen-passed]");
  const again = section.querySelector("[data-specimen-again]");
  const box = form.elements.code;
  const memory = `rig-${data.run}`;
  let scanned = "";

  function show(found) {
    form.hidden = found !== null;
    passed.hidden = again.hidden = found === null;
    if (found === null) {
      onDue();
      return;
    }
    passed.textContent = `${found.code}, ${found.zone_words}: ${found.how} at ${found.at}.`;
    onPassed();
  }

  /** Keep what was found, right or wrong; a wrong one is a near miss worth knowing of. */
  function keep(code, zone, how) {
    const id = mintId((bytes) => crypto.getRandomValues(bytes));
    return put({
      kind: "specimen check",
      id,
      address: data.addresses.specimen_checks.replace("UUID", id),
      body: { run: data.run, code, zone, how, checked_at: new Date().toISOString() },
      label: `On the rig: ${code}`,
      about: `run:${data.run}`,
      isClocked: true,
    });
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
    const isKnown = found.code && zone;
    try {
      if (isKnown) {
        await keep(found.code, zone, how);
      }
    } catch (error) {
      showProblems(form, { "": notStoredWords(error) });
      return;
    }
    if (Object.keys(problems).length) {
      showProblems(form, problems);
      return;
    }
    const at = new Date().toLocaleTimeString("en-GB", { hour: "2-digit", minute: "2-digit" });
    const right = { code: found.code, zone_words: data.specimen.zones[zone], how, at };
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
  const fromSheet = new URLSearchParams(window.location.hash.slice(1)).get("code");
  if (fromSheet) {
    scanned = fromSheet.slice(0, 40);
    box.value = scanned;
  }
  const known = sessionStorage.getItem(memory);
  show(known ? JSON.parse(known) : null);
}
