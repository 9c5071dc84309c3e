// View module: what a form shows while its content is stored on the tablet, and when it could not be.

import { notStoredWords } from "./queue/flow.js";

export const IS_BUSY = "aria-busy";

/** Nothing more can be kept until this has been stored: two taps are one entry. */
export function showKeeping(form, button) {
  form.setAttribute(IS_BUSY, "true");
  button.disabled = true;
  form.querySelector("[data-not-sent]").hidden = true;
}

/** Stored: the button works again. */
export function showReady(form, button) {
  form.removeAttribute(IS_BUSY);
  button.disabled = false;
}

/** Not stored on this tablet: say so plainly; everything typed stays. */
export function showNotStored(form, button, error) {
  showReady(form, button);
  const notice = form.querySelector("[data-not-sent]");
  notice.querySelector("[data-not-sent-words]").textContent = notStoredWords(error);
  notice.hidden = false;
  button.focus();
}
