// View module: a key of a wired keyboard, foot switch or presenter that does what the large button does.
// Off until it is chosen, because scanners type characters too.

import { remember, remembered } from "../preferences.js";

const TYPES_INTO = "input:not([type=radio], [type=checkbox]), textarea, select";

export function wireHardwareKey(root, onPress) {
  const choose = root.querySelector("[data-key-choose]");
  const drop = root.querySelector("[data-key-drop]");
  const shown = root.querySelector("[data-key-shown]");
  if (!choose) {
    return;
  }
  let key = remembered("key", null);
  let isChoosing = false;

  const draw = () => {
    drop.hidden = key === null;
    choose.setAttribute("aria-pressed", String(isChoosing));
    if (isChoosing) {
      shown.textContent = "Press the key now. Escape leaves it as it was.";
    } else {
      shown.textContent = key === null ? "No key is chosen." : `The key ${key} works the large button.`;
    }
  };
  choose.addEventListener("click", () => {
    isChoosing = !isChoosing;
    draw();
  });
  drop.addEventListener("click", () => {
    key = null;
    remember("key", key);
    draw();
    choose.focus();
  });
  window.addEventListener("keydown", (event) => {
    if (isChoosing) {
      if (event.code === "Tab" || !event.code) {
        return;
      }
      event.preventDefault();
      isChoosing = false;
      if (event.code !== "Escape") {
        key = event.code;
        remember("key", key);
      }
      draw();
    } else if (key !== null && event.code === key && !event.repeat && !event.target.closest?.(TYPES_INTO)) {
      event.preventDefault();
      onPress(event);
    }
  });
  // a focused button would also be clicked by its own space or enter
  window.addEventListener("keyup", (event) => {
    if (key !== null && event.code === key && event.target.closest?.("button")) {
      event.preventDefault();
    }
  });
  draw();
}
