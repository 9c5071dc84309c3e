// View module: photos and moments of a film, stored on the tablet first and sent by its queue.

import { readFilmTime } from "./film-time.js";
import { mintId } from "./ids.js";
import { readyToTravel } from "./pictures.js";
import { clearProblems, showProblems } from "./problems.js";
import { put, whenAnswered } from "./queue.js";
import { notStoredWords } from "./queue/flow.js";

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

  file.addEventListener("change", async () => {
    const [taken] = file.files;
    if (!taken) {
      return;
    }
    clearProblems(section);
    said.textContent = "Keeping the photo.";
    const id = newId();
    try {
      const { blob, isOriginal } = await readyToTravel(taken, { isOnline: navigator.onLine });
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
        label: `Photo ${shows.selectedOptions[0].textContent.toLowerCase()}`,
        about: `run:${data.run}`,
        isClocked: true,
      });
      draw(id, blob);
      said.textContent = "The photo is kept on this tablet. You may take another.";
      caption.value = "";
    } catch (error) {
      said.textContent = "";
      showProblems(section, { "": error.name === "Error" ? error.message : notStoredWords(error) });
    } finally {
      file.value = "";
    }
  });

  function draw(id, blob) {
    const drawn = section.querySelector("[data-photo-template]").content.cloneNode(true);
    const item = drawn.querySelector("li");
    const picture = item.querySelector("img");
    const words = shows.selectedOptions[0].textContent + (caption.value.trim() ? `: ${caption.value.trim()}` : "");
    picture.src = URL.createObjectURL(blob);
    picture.addEventListener("load", () => URL.revokeObjectURL(picture.src), { once: true });
    picture.alt = `Photo ${words}`;
    item.dataset.photo = id;
    item.querySelector("[data-photo-said]").textContent = words;
    const state = item.querySelector("[data-photo-state]");
    state.textContent = "On this tablet, not yet with the server.";
    list.append(drawn);
    follow(id, state);
  }

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
