// Entry module of a sheet: counts down the fire watch or cool-down after the last run of a method. It only knows times,
// so that it goes on while the screen sleeps and stands after a restart; at its end it says so in words and by sound.

import { mintId } from "./ids.js";
import { remember, remembered } from "./preferences.js";
import { clearProblems, showProblems } from "./problems.js";
import { database, listen, put, serverNow } from "./queue.js";
import { notStoredWords, REFUSED } from "./queue/flow.js";
import { clockWords, lastRun, watchAt } from "./watch-time.js";

const TICK_MS = 1000;
const SOUND = "watch sound";

const watches = JSON.parse(document.getElementById("watch-data").textContent);
const sections = [...document.querySelectorAll("[data-watch-due]")];
let audio = null;

function wire(section, data) {
  const part = (name) => section.querySelector(`[data-watch-${name}]`);
  const form = part("form");
  const about = `watch:${data.study}:${data.method}:${data.kind}`;
  let lastAt = null;
  let keptFrom = [];
  let phase = "none";

  /** What this tablet knows besides the page: readings and watches entered on it. */
  async function look() {
    const store = await database();
    const [found, own] = await Promise.all([store.aboutMany(data.runs.map((run) => `run:${run}`)), store.about(about)]);
    const readings = found.flatMap(({ waiting, sent }) => [...waiting, ...sent]);
    lastAt = lastRun(data.last_at, readings);
    const kept = [...own.waiting.filter((entry) => entry.state !== REFUSED), ...own.sent];
    keptFrom = kept.map((entry) => Date.parse(entry.label.split("; from ").at(-1)));
    if (data.kept_from) {
      keptFrom.push(Date.parse(data.kept_from));
    }
    await draw();
  }

  async function draw() {
    const now = await serverNow();
    const stands = watchAt({ minutes: data.minutes, lastAt, keptFrom, now });
    section.hidden = stands.phase === "none";
    if (section.hidden) {
      phase = stands.phase;
      return;
    }
    const until = new Date(stands.until).toLocaleTimeString("en-GB", { hour: "2-digit", minute: "2-digit" });
    part("left").textContent = stands.phase === "over" ? "0:00" : clockWords(stands.left_ms);
    if (phase !== stands.phase) {
      // said once, not every second: a screen reader would never come to an end
      part("words").textContent =
        stands.phase === "over"
          ? `Over since ${until}. Look once more at every place that was near the flame or heat, then keep it.`
          : `Goes on until ${until}.`;
    }
    if (phase !== stands.phase && stands.phase === "over") {
      part("more").open = true;
    }
    phase = stands.phase;
    if (phase === "over") {
      beep();
    }
  }

  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    clearProblems(form);
    const watcher = form.elements.watcher.value.trim();
    const note = form.elements.note.value.trim();
    const problems = {
      ...(watcher ? {} : { watcher: "Name the person who watched." }),
      ...(phase === "running" && !note ? { note: `The method asks for ${data.minutes} min: say why it ends early.` } : {}),
    };
    if (Object.keys(problems).length) {
      showProblems(form, problems);
      return;
    }
    const id = mintId((bytes) => crypto.getRandomValues(bytes));
    const { study, method, number, kind } = data;
    const started = new Date(lastAt).toISOString();
    try {
      await put({
        kind: "watch",
        id,
        address: data.address.replace("UUID", id),
        body: { study, method, number, kind, started_at: started, ended_at: new Date().toISOString(), watcher, note },
        label: `${data.words}, ${watcher}; from ${started}`,
        about,
        isClocked: true,
      });
    } catch (error) {
      showProblems(form, { "": notStoredWords(error) });
      return;
    }
    form.elements.note.value = "";
    await look();
  });

  const sound = part("sound");
  sound.setAttribute("aria-pressed", String(remembered(SOUND, false)));
  sound.addEventListener("click", () => {
    const isOn = !remembered(SOUND, false);
    remember(SOUND, isOn);
    sound.setAttribute("aria-pressed", String(isOn));
    beep(); // a browser lets a page sound only after a tap; and so one knows how it sounds
  });
  form.elements.watcher.value = remembered("watcher", "");
  form.elements.watcher.addEventListener("change", () => remember("watcher", form.elements.watcher.value.trim()));

  for (const name of ["changed", "answered"]) {
    listen(name, look);
  }
  document.addEventListener("visibilitychange", draw);
  setInterval(draw, TICK_MS);
  look();
}

function beep() {
  if (!remembered(SOUND, false)) {
    return;
  }
  audio ??= new AudioContext();
  const tone = audio.createOscillator();
  const volume = audio.createGain();
  tone.frequency.value = 880;
  volume.gain.value = 0.3;
  tone.connect(volume).connect(audio.destination);
  tone.start();
  tone.stop(audio.currentTime + 0.3);
}

sections.forEach((section, at) => wire(section, watches[at]));
