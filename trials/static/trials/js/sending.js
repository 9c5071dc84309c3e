// View module: what a form shows while its content is on the way, and when it did not arrive.

import { sentenceFor } from "./answers.js";

export const IS_BUSY = "aria-busy";

/** Nothing more can be sent until this has been answered. */
export function showSending(form, button) {
  form.setAttribute(IS_BUSY, "true");
  button.disabled = true;
  button.textContent = "Sending";
  form.querySelector("[data-not-sent]").hidden = true;
}

/** Answered: the button works again, with these words on it. */
export function showAnswered(form, button, words) {
  form.removeAttribute(IS_BUSY);
  button.disabled = false;
  button.textContent = words;
}

/** Not known to have arrived: say so; everything typed stays. */
export function showNotSent(form, button, meaning, answer) {
  showAnswered(form, button, "Send again");
  const notice = form.querySelector("[data-not-sent]");
  notice.querySelector("[data-not-sent-words]").textContent = sentenceFor(meaning, answer);
  notice.querySelector("[data-sign-in]").hidden = meaning === "send again";
  notice.hidden = false;
  button.focus();
}
