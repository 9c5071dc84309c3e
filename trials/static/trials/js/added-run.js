// Entry module of the page of a run that was added on this tablet: its specimen, zone and site stand behind the # of the
// address, so that the page opens at once and without network. Its entries name the run by the id of the entry that
// adds it, and the server waits for that one.

import { whenAnswered } from "./queue.js";
import { wireRunPage } from "./run-page.js";

const page = document.querySelector("[data-bench]");
const data = JSON.parse(document.getElementById("bench-data").textContent);
const told = new URLSearchParams(window.location.hash.slice(1));
const entry = told.get("entry") ?? "";
const [specimen, zone, site] = ["specimen", "zone", "site"].map((name) => (told.get(name) ?? "").slice(0, 40));

const say = (words) => {
  page.querySelector("[data-added-words]").textContent = words;
};

function follow() {
  whenAnswered(entry).then(({ meaning, answer }) => {
    if (meaning === "kept") {
      say("The run is on the sheet now. Go on here, or on its own page when nothing of it waits any more.");
      const link = page.querySelector("[data-added-link]");
      link.hidden = false;
      link.querySelector("a").href = new URL(`../../runs/${answer.body.id}/`, window.location).pathname;
    } else if (meaning === "refused") {
      const why = Object.values(answer.body.problems).flat().join(" ");
      say(`The server did not take this run: ${why} What you enter stays on this tablet for a person.`);
    } else {
      follow();
    }
  });
}

if (/^[0-9a-f-]{36}$/u.test(entry) && specimen && zone) {
  data.run = entry;
  Object.assign(data.specimen, { code: specimen, zone, is_blind: false });
  data.specimen.zones[zone] ??= zone;
  page.querySelector("[data-added-head]").textContent =
    `${specimen}, ${data.specimen.zones[zone]}${site ? `, site ${site}` : ", the first free site"}`;
  for (const place of page.querySelectorAll("[data-wanted-code]")) {
    place.textContent = specimen;
  }
  say("Added on this tablet. What you enter here is kept, and is sent after the run itself.");
  page.querySelector("[data-added-parts]").hidden = false;
  wireRunPage(page, data);
  follow();
}
