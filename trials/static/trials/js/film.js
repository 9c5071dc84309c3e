// Entry module: a film on this device beside the form; its marks go into the form, the film goes nowhere.

import { frameAt, momentOf, momentText, stepped } from "./frames.js";
import { parseNumber } from "./numbers.js";

const part = document.querySelector("[data-film]");
const form = document.querySelector("[data-film-form]");
const [stage, video, at, anew, problem, file] = ["stage", "video", "at", "anew", "problem", "file"].map((name) =>
  part.querySelector(`[data-film-${name}]`),
);
const rate = () => parseNumber(form.elements.frames_per_second.value) || 25;
let address = "";
let hasFilm = false;
let isNamedByHand = false;

part.hidden = false;

form.elements.video.addEventListener("input", () => {
  isNamedByHand = true;
});

/** The form speaks of the film that is shown: another one brings its name and leaves the marks of the one before. */
function speakOf(name) {
  const isNamedBefore = isNamedByHand && !hasFilm;
  const before = form.elements.video.value;
  hasFilm = true;
  isNamedByHand = false;
  if (isNamedBefore || before === name) {
    return;
  }
  form.elements.video.value = name;
  if (before) {
    for (const mark of ["from_s", "to_s"]) {
      form.elements[mark].value = "";
    }
    anew.hidden = false;
  }
}

file.addEventListener("change", () => {
  URL.revokeObjectURL(address);
  const [chosen] = file.files;
  stage.hidden = !chosen;
  problem.hidden = true;
  if (chosen) {
    address = URL.createObjectURL(chosen);
    video.src = address;
    speakOf(chosen.name.slice(0, 120));
  }
});

video.addEventListener("error", () => {
  stage.hidden = true;
  problem.hidden = false;
});

function draw() {
  at.textContent = `${momentText(video.currentTime)}\u00a0s, frame ${frameAt(video.currentTime, rate())}`;
}
video.addEventListener("timeupdate", draw);
video.addEventListener("seeked", draw);

for (const button of part.querySelectorAll("[data-film-step]")) {
  button.addEventListener("click", () => {
    video.pause();
    // half a frame in, so that rounding never shows the frame before
    video.currentTime = stepped(video.currentTime, Number(button.dataset.filmStep), rate(), video.duration) + 0.5 / rate();
  });
}

for (const button of part.querySelectorAll("[data-film-mark]")) {
  button.addEventListener("click", () => {
    video.pause();
    anew.hidden = true;
    const box = form.elements[button.dataset.filmMark];
    box.value = momentText(momentOf(frameAt(video.currentTime, rate()), rate()));
    at.textContent = `Marked: ${box.value}\u00a0s`;
  });
}
