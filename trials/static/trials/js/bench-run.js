// Entry module of a run's page: finds the parts by data-*, and ties them to each other.

import { wireChecks } from "./checks.js";
import { wireEntry } from "./entry.js";
import { wireVoid } from "./void.js";

const page = document.querySelector("[data-bench]");
const data = JSON.parse(document.getElementById("bench-data").textContent);

const entry = wireEntry(page, data);
wireChecks(page, data, { onPassed: entry.open, onDue: entry.close });
wireVoid(page, data);
