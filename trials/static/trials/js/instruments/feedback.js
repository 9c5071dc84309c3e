// View module: sound and vibration, each off until it is switched on. What they tell is on the screen too.

import { remember, remembered } from "../preferences.js";

export function wireFeedback(root) {
  let audio = null;
  const isOn = {};
  for (const button of root.querySelectorAll("[data-feedback]")) {
    const name = button.dataset.feedback;
    if (name === "vibration" && typeof navigator.vibrate !== "function") {
      button.hidden = true;
      continue;
    }
    const draw = () => button.setAttribute("aria-pressed", String(isOn[name]));
    isOn[name] = remembered(name, false);
    draw();
    button.addEventListener("click", () => {
      isOn[name] = !isOn[name];
      remember(name, isOn[name]);
      draw();
    });
  }
  return ({ hertz = 880, milliseconds = 40 } = {}) => {
    if (isOn.vibration) {
      navigator.vibrate(milliseconds);
    }
    if (isOn.sound) {
      audio ??= new AudioContext();
      const tone = audio.createOscillator();
      const volume = audio.createGain();
      tone.frequency.value = hertz;
      volume.gain.value = 0.2;
      tone.connect(volume).connect(audio.destination);
      tone.start();
      tone.stop(audio.currentTime + 0.06);
    }
  };
}
