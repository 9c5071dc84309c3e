// This module has no DOM access. Talks to the API; `fetch` is handed in.

const PATIENCE_MS = 15_000;
const PATIENCE_WITH_BYTES_MS = 120_000; // a photo over a weak network

/** A client of the API; `session` is the address that says who is signed in. */
export function clientFor({ fetch, session, now = Date.now }) {
  async function ask(method, address, { body, type, token, by, patience = PATIENCE_MS, signal = null } = {}) {
    try {
      const response = await fetch(address, {
        method,
        body,
        headers: {
          Accept: "application/json",
          ...(type ? { "Content-Type": type } : {}),
          ...(token ? { "X-CSRFToken": token } : {}),
          // the server refuses it in anybody else's name, whoever signed in a moment ago
          ...(by === undefined ? {} : { "X-Entered-By": String(by) }),
        },
        cache: "no-store",
        credentials: "same-origin",
        // a redirect to a sign-in page must not look like an answer
        redirect: "error",
        signal: signal ? AbortSignal.any([signal, AbortSignal.timeout(patience)]) : AbortSignal.timeout(patience),
      });
      const isJson = /[/+]json\b/u.test(response.headers.get("Content-Type") ?? "");
      const asked = Number.parseFloat(response.headers.get("Retry-After") ?? "");
      return {
        status: response.status,
        body: isJson ? await response.json() : null,
        retry_after_s: Number.isNaN(asked) ? null : asked,
      };
    } catch {
      // no network, no answer in time, a redirect, or half an answer: all mean that nobody knows
      return { status: 0, body: null, retry_after_s: null };
    }
  }

  return {
    /** Who is signed in, with a fresh token; and the tablet's time around the answer, which says the server's. */
    async session() {
      const sentAt = now();
      const answer = await ask("GET", session);
      const isKnown = answer.status === 200 && Boolean(answer.body?.csrf_token) && answer.body.user !== undefined;
      if (!isKnown && answer.status !== 401) {
        return { status: 0, body: null, sentAt, cameAt: now() };
      }
      return { ...answer, sentAt, cameAt: now() };
    },

    /** Send one entry of the queue: as JSON, or the bytes themselves with what they are in the address. */
    async deliver({ method, address, body, by }, { token, blob = null, signal = null }) {
      if (!blob) {
        return ask(method, address, { body: JSON.stringify(body), type: "application/json", token, by });
      }
      const type = blob.type || "application/octet-stream";
      return ask(method, withQuery(address, body), { body: blob, type, token, by, signal, patience: PATIENCE_WITH_BYTES_MS });
    },
  };
}

function withQuery(address, fields) {
  const query = new URLSearchParams();
  for (const [name, value] of Object.entries(fields ?? {})) {
    if (value !== null && value !== undefined) {
      query.set(name, String(value));
    }
  }
  const asked = query.toString();
  return asked ? `${address}?${asked}` : address;
}
