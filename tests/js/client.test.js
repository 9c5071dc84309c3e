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
    await use(clientFor({ fetch, session: `${base}/session`, user: 7 }), base, seen);
  } finally {
    server.closeAllConnections();
    server.close();
  }
}

const json = (status, body) => (request, response) => {
  response.writeHead(status, { "Content-Type": "application/json" });
  response.end(JSON.stringify(body));
};
const session = json(200, { user: 7, display_name: "Merrin", csrf_token: "fresh" });

test("sends with the token the session has just given", async () => {
  await served({ "GET /session": session, "PUT /reading": json(201, { id: "x" }) }, async (client, base, seen) => {
    assert.deepEqual(await client.send("PUT", `${base}/reading`, { run: 1 }), { status: 201, body: { id: "x" } });
    assert.equal(seen[1].headers["x-csrftoken"], "fresh");
    assert.equal(seen[1].body, '{"run":1}');
  });
});

test("sends nothing in another person's name", async () => {
  const other = json(200, { user: 8, display_name: "Wat", csrf_token: "fresh" });
  await served({ "GET /session": other }, async (client, base, seen) => {
    const answer = await client.send("PUT", `${base}/reading`, {});
    assert.equal(answer.status, "other person");
    assert.equal(seen.length, 1);
  });
});

test("a sign-in that ended is told, and nothing is sent", async () => {
  await served({ "GET /session": json(401, { problems: {} }) }, async (client, base, seen) => {
    assert.equal((await client.send("PUT", `${base}/reading`, {})).status, 401);
    assert.equal(seen.length, 1);
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
    await served({ "GET /session": session, "PUT /reading": answer }, async (client, base) => {
      assert.deepEqual(await client.send("PUT", `${base}/reading`, {}), { status: 0, body: null }, name);
    });
  }
  const page = (request, response) => response.writeHead(200, { "Content-Type": "text/html" }).end("<p>Welcome</p>");
  await served({ "GET /session": session, "PUT /reading": page }, async (client, base) => {
    assert.deepEqual(await client.send("PUT", `${base}/reading`, {}), { status: 200, body: null });
  });
  await served({ "GET /session": page }, async (client, base) => {
    assert.deepEqual(await client.send("PUT", `${base}/reading`, {}), { status: 0, body: null });
  });
  const nobody = clientFor({ fetch, session: "http://127.0.0.1:9/session", user: 7 });
  assert.deepEqual(await nobody.send("PUT", "http://127.0.0.1:9/reading", {}), { status: 0, body: null });
});
