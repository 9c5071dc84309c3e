// This module has no DOM access. Talks to the API; `fetch` is handed in.

const PATIENCE_MS = 15_000;

/** A client for one page: `user` is the number of the person it was drawn for. */
export function clientFor({ fetch, session, user }) {
  async function ask(method, address, { body, token } = {}) {
    try {
      const response = await fetch(address, {
        method,
        body: body === undefined ? undefined : JSON.stringify(body),
        headers: {
          Accept: "application/json",
          ...(body === undefined ? {} : { "Content-Type": "application/json" }),
          ...(token ? { "X-CSRFToken": token } : {}),
        },
        cache: "no-store",
        credentials: "same-origin",
        // a redirect to a sign-in page must not look like an answer
        redirect: "error",
        signal: AbortSignal.timeout(PATIENCE_MS),
      });
      const isJson = /[/+]json\b/u.test(response.headers.get("Content-Type") ?? "");
      return { status: response.status, body: isJson ? await response.json() : null };
    } catch {
      // no network, no answer in time, a redirect, or half an answer: all mean that nobody knows
      return { status: 0, body: null };
    }
  }

  return {
    /** Send with a fresh token, and only in the name of the person whose page this is. */
    async send(method, address, body) {
      const now = await ask("GET", session);
      if (now.status !== 200 || !now.body?.csrf_token) {
        return now.status === 401 ? now : { status: 0, body: null };
      }
      if (now.body.user !== user) {
        return { status: "other person", body: now.body };
      }
      return ask(method, address, { body, token: now.body.csrf_token });
    },
  };
}
