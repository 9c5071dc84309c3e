// This module has no DOM access. What a server's answer means for the entry that was sent.

/**
 * One of "kept", "kept beside", "refused", "waits for another", "sign in", "other person", "stale token" and "send
 * again". `answer` is {status, body}, with status 0 when none came and body null when it was not JSON; `names(body)`
 * says whether it speaks of what was sent. A network's own sign-in page also answers 200, so nothing else is believed.
 */
export function meaningOf(answer, names) {
  const { status, body } = answer;
  if (status === "other person" || body?.code === "other person") {
    return "other person";
  }
  if (status === 401) {
    return "sign in";
  }
  if (body?.code === "stale token") {
    return "stale token";
  }
  if ((status === 200 || status === 201) && body && names(body)) {
    return "kept";
  }
  if (status === 409 && body?.both_kept && names(body)) {
    return "kept beside";
  }
  if (status >= 400 && status < 500 && status !== 408 && status !== 429 && body?.problems) {
    return body.code === "waits" ? "waits for another" : "refused";
  }
  return "send again";
}

/** Whether an answer speaks of the entry with this id, under its own name or as what it was an entry for. */
export function namesEntry(id) {
  return (body) => body.id === id || body.entry === id;
}
