// View module: finds the parts of an entry page by data-*, and ties them to each other.

import { wireChecks } from "./checks.js";
import { wireConfirm } from "./confirm.js";
import { wireEntry } from "./entry.js";
import { wireEquipment } from "./equipment.js";
import { wireEvidence } from "./evidence.js";
import { wireSpecimen } from "./specimen.js";
import { wireVoid } from "./void.js";

export function wireRunPage(page, data) {
  let onRig = () => null;
  const entry = wireEntry(page, data, { specimenCheck: () => onRig() });
  // nothing may be entered until the checks are passed and the right specimen lies on the rig
  const isPassed = { checks: false, specimen: false };
  const gate = (name) => {
    const become = (is) => () => {
      isPassed[name] = is;
      (isPassed.checks && isPassed.specimen ? entry.open : entry.close)();
    };
    return { onPassed: become(true), onDue: become(false) };
  };
  wireChecks(page, data, gate("checks"));
  onRig = wireSpecimen(page, data, gate("specimen"));
  wireVoid(page, data);
  wireEvidence(page, data);
  wireConfirm(page, data);
  wireEquipment(page, data);
}
