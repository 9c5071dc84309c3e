// Entry module of a run's page.

import { wireRunPage } from "./run-page.js";

wireRunPage(document.querySelector("[data-bench]"), JSON.parse(document.getElementById("bench-data").textContent));
