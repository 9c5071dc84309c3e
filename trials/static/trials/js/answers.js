// This module has no DOM access. What a server's answer means for the entry that was sent.

/**
 * One of "kept", "kept beside", "refused", "sign in", "other person" and "send again".
 * `answer` is {status, body}, with status 0 when none came and body null when it was not JSON; `names(body)` says
 * whether it speaks of what was sent. A network's own sign-in page also answers 200, so nothing else is believed.
 */
export function meaningOf(answer, names) {
  const { status, body } = answer;
  if (status === "other person") {
    return "other person";
  }
  if (status === 401) {
    return "sign in";
  }
  if ((status === 200 || status === 201) && body && names(body)) {
    return "kept";
  }
  if (status === 409 && body?.both_kept && names(body)) {
    return "kept beside";
  }
  if (status >= 400 && status < 500 && status !== 408 && status !== 429 && body?.problems) {
    return "refused";
  }
  return "send again";
}

/** The sentence for an entry that is not kept yet. */
export function sentenceFor(meaning, answer) {
  if (meaning === "sign in") {
    return "Your sign-in has ended. Everything you entered is still on this page. Sign in, come back here and send again.";
  }
  if (meaning === "other person") {
    return `${answer.body.display_name} is signed in now, but somebody else opened this page. Sign in as the person who took this reading and send again, or load the page again and enter it in your own name.`;
  }
  return "The server did not answer, so it is not certain that this was stored. Everything you entered is still on this page. Send it again: it will be stored once.";
}
