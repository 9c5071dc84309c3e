// View module: photos and moments of a film, stored on the tablet first and sent by its queue.

import { readFilmTime } from "./film-time.js";
import { mintId } from "./ids.js";
import { capital } from "./labels.js";
import { readyToTravel } from "./pictures.js";
import { clearProblems, showProblems } from "./problems.js";
import { database, put, whenAnswered } from "./queue.js";
import { REFUSED, notStoredWords } from "./queue/flow.js";

const newId = () => mintId((bytes) => crypto.getRandomValues(bytes));

export function wireEvidence(page, data) {
  const section = page.querySelector("[data-photos]");
  if (section) {
    wirePhotos(section, data);
    wireMarks(section.querySelector("[data-mark-form]"), data);
  }
}

function wirePhotos(section, data) {
  const [file, shows, caption, list, said] = [
    "[data-photo-file]",
    "[data-photo-shows]",
    "[data-photo-caption]",
    "[data-photo-list]",
    "[data-photo-words]",
  ].map((selector) => section.querySelector(selector));
  const about = `run:${data.run}`;

  file.addEventListener("change", async () => {
    const [taken] = file.files;
    if (!taken) {
      return;
    }
    clearProblems(section);
    said.textContent = "Keeping the photo.";
    const id = newId();
    try {
      const { blob, isOriginal, original } = await readyToTravel(taken);
      await put({
        kind: "photo",
        id,
        address: data.addresses.photos.replace("UUID", id),
        body: {
          run: data.run,
          taken_at: new Date().toISOString(),
          shows: shows.value,
          caption: caption.value.trim(),
          is_original: isOriginal ? "yes" : "no",
        },
        blob,
        label: `Photo ${wordsNow()}`,
        about,
        isClocked: true,
      });
      draw(id, blob, wordsNow());
      said.textContent = `The photo is kept on this tablet. ${await keepOriginal(id, { isOriginal, original })}You may take another.`;
      caption.value = "";
    } catch (error) {
      said.textContent = "";
      showProblems(section, { "": error.name === "Error" ? error.message : notStoredWords(error) });
    } finally {
      file.value = "";
    }
  });

  /** The camera's own file follows the smaller one; without room for it the smaller one stands. */
  async function keepOriginal(photo, { isOriginal, original }) {
    if (isOriginal) {
      return "";
    }
    if (!original) {
      return "Its original is too large to send, or no JPEG: keep it on the camera. ";
    }
    const id = newId();
    try {
      await put({
        kind: "photo original",
        id,
        address: data.addresses.photo_originals.replace("UUID", id),
        body: { photo },
        blob: original,
        label: `Original of: photo ${wordsNow()}`,
        about,
        isLater: true,
      });
    } catch {
      return "Its original did not fit on this tablet: keep it on the camera. ";
    }
    return "Its original follows when nothing else waits. ";
  }

  function wordsNow() {
    const more = caption.value.trim();
    return shows.selectedOptions[0].textContent.toLowerCase() + (more ? `: ${more}` : "");
  }

  function draw(id, blob, words) {
    const drawn = section.querySelector("[data-photo-template]").content.cloneNode(true);
    const item = drawn.querySelector("li");
    const picture = item.querySelector("img");
    picture.src = URL.createObjectURL(blob);
    picture.addEventListener("load", () => URL.revokeObjectURL(picture.src), { once: true });
    picture.alt = `Photo ${words}`;
    item.dataset.photo = id;
    item.querySelector("[data-photo-said]").textContent = capital(words);
    const state = item.querySelector("[data-photo-state]");
    state.textContent = "On this tablet, not yet with the server.";
    list.append(drawn);
    follow(id, state);
  }

  /** Photos taken on this page before it was loaded again, perhaps without network. */
  async function remember() {
    const store = await database();
    for (const entry of (await store.about(about)).waiting) {
      const blob = entry.kind === "photo" && entry.state !== REFUSED ? await store.blobOf(entry.id) : null;
      if (blob && !list.querySelector(`[data-photo="${CSS.escape(entry.id)}"]`)) {
        draw(entry.id, blob, entry.label.replace(/^Photo /u, ""));
      }
    }
  }
  remember();

  function follow(id, state) {
    whenAnswered(id).then(({ meaning, answer }) => {
      if (meaning === "kept") {
        state.textContent = "Kept.";
      } else if (meaning === "refused") {
        state.textContent = `Not kept: ${Object.values(answer.body.problems).flat().join(" ")}`;
      } else {
        follow(id, state);
      }
    });
  }
}

function wireMarks(form, data) {
  const said = form.querySelector("[data-mark-words]");
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    clearProblems(form);
    const { seconds, problem } = readFilmTime(form.elements.film_at.value);
    const [video, caption] = ["video", "caption"].map((name) => form.elements[name].value.trim());
    const problems = {
      ...(video ? {} : { video: "Say which film: the name of the file or the card." }),
      ...(problem ? { film_at: problem } : {}),
      ...(caption ? {} : { caption: "Say what is to be seen there." }),
    };
    if (Object.keys(problems).length) {
      showProblems(form, problems);
      return;
    }
    const id = newId();
    try {
      await put({
        kind: "film mark",
        id,
        address: data.addresses.marks.replace("UUID", id),
        body: { run: data.run, video, seconds, caption, marked_at: new Date().toISOString() },
        label: `${video} at ${seconds} s`,
        about: `run:${data.run}`,
        isClocked: true,
      });
    } catch (error) {
      showProblems(form, { "": notStoredWords(error) });
      return;
    }
    said.textContent = `Kept on this tablet: ${video} at ${seconds} s, ${caption}.`;
    // the film stays the same for the next moment of it
    form.elements.film_at.value = "";
    form.elements.caption.value = "";
    form.elements.film_at.focus();
  });
}
