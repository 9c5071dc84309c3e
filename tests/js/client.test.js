import assert from "node:assert/strict";
import { createServer } from "node:http";
import { test } from "node:test";

import { clientFor } from "../../trials/static/trials/js/client.js";

/** A real server on this machine; `answers` maps "METHOD path" to a function of (request, response). */
async function served(answers, use) {
  const seen = [];
  const server = createServer((request, response) => {
    let body = "";
    request.on("data", (part) => {
      body += part;
    });
    request.on("end", () => {
      seen.push({ what: `${request.method} ${request.url}`, headers: request.headers, body });
      answers[`${request.method} ${request.url}`](request, response);
    });
  });
  await new Promise((ready) => server.listen(0, "127.0.0.1", ready));
  const base = `http://127.0.0.1:${server.address().port}`;
  try {
    await use(clientFor({ fetch, session: `${base}/session` }), base, seen);
  } finally {
    server.closeAllConnections();
    server.close();
  }
}

const json = (status, body, headers = {}) => (request, response) => {
  response.writeHead(status, { "Content-Type": "application/json", ...headers });
  response.end(JSON.stringify(body));
};
const session = json(200, { user: 7, display_name: "Merrin", csrf_token: "fresh", now: "2026-03-02T12:00:00Z" });
const AWAY = { status: 0, body: null, retry_after_s: null };
const entry = (base, changes = {}) => ({ method: "PUT", address: `${base}/reading`, body: { run: 1 }, by: 7, ...changes });

test("sends an entry with the token and in the name of who made it", async () => {
  await served({ "PUT /reading": json(201, { id: "x" }) }, async (client, base, seen) => {
    const answer = await client.deliver(entry(base), { token: "fresh" });
    assert.deepEqual(answer, { status: 201, body: { id: "x" }, retry_after_s: null });
    assert.equal(seen[0].headers["x-csrftoken"], "fresh");
    assert.equal(seen[0].headers["x-entered-by"], "7");
    assert.equal(seen[0].body, '{"run":1}');
  });
});

test("bytes are the body, and what they are stands in the address", async () => {
  const path = "PUT /reading?run=1&caption=hole+%26+char";
  await served({ [path]: json(201, { id: "x" }) }, async (client, base, seen) => {
    const blob = new Blob(["bytes"], { type: "image/jpeg" });
    const photo = entry(base, { body: { run: 1, caption: "hole & char", zone: null } });
    assert.equal((await client.deliver(photo, { token: "fresh", blob })).status, 201);
    assert.equal(seen[0].headers["content-type"], "image/jpeg");
    assert.equal(seen[0].body, "bytes");
  });
});

test("says when a server asked for patience", async () => {
  await served({ "PUT /reading": json(503, {}, { "Retry-After": "7" }) }, async (client, base) => {
    assert.equal((await client.deliver(entry(base), { token: "t" })).retry_after_s, 7);
  });
});

test("a session tells the tablet's time around the answer", async () => {
  await served({ "GET /session": session }, async (client) => {
    const before = Date.now();
    const told = await client.session();
    assert.equal(told.body.user, 7);
    assert.ok(before <= told.sentAt && told.sentAt <= told.cameAt && told.cameAt <= Date.now());
  });
});

test("a sign-in that ended is told", async () => {
  await served({ "GET /session": json(401, { problems: {} }) }, async (client) => {
    assert.equal((await client.session()).status, 401);
  });
});

test("a redirect, a web page, half an answer and no server are no answer", async () => {
  const cases = {
    redirect: (request, response) => response.writeHead(302, { Location: "/session" }).end(),
    half: (request, response) => {
      response.writeHead(200, { "Content-Type": "application/json", "Content-Length": 100 });
      response.write('{"id"');
      response.destroy();
    },
  };
  for (const [name, answer] of Object.entries(cases)) {
    await served({ "PUT /reading": answer }, async (client, base) => {
      assert.deepEqual(await client.deliver(entry(base), { token: "t" }), AWAY, name);
    });
  }
  const page = (request, response) => response.writeHead(200, { "Content-Type": "text/html" }).end("<p>Welcome</p>");
  await served({ "PUT /reading": page }, async (client, base) => {
    assert.equal((await client.deliver(entry(base), { token: "t" })).body, null);
  });
  await served({ "GET /session": page }, async (client) => {
    assert.equal((await client.session()).status, 0);
  });
  const nobody = clientFor({ fetch, session: "http://127.0.0.1:9/session" });
  assert.equal((await nobody.session()).status, 0);
  assert.deepEqual(await nobody.deliver(entry("http://127.0.0.1:9"), { token: "t" }), AWAY);
});
