// The service worker of the bench. The server puts `const WORNPROOF = {release, files}` before it.
//
//   files-<release>   the static files of a release; their names carry a hash, so they never change
//   pages-<person>    pages of the bench as one person last saw them, each with the release it needs
//   who               whose pages may be shown
//
// A page is shown only when all its files are here: otherwise an older whole page is better than a new half one.
// Nothing of the API is kept, and nothing that is written passes through here changed.

const FILES = "wornproof-files-";
const PAGES = "wornproof-pages-";
const WHO = "wornproof-who";
const NO_NETWORK = "/offline/no-network/";
const PATIENCE_MS = 4000;
const FRESH_FOR_MS = 30 * 60 * 1000;
const AT_ONCE = 2;

// releases that the server has named to this worker: a page may need one before it is kept
const met = new Set([WORNPROOF.release]);

self.addEventListener("install", (event) => {
  event.waitUntil(keepFiles(WORNPROOF.release, WORNPROOF.files).then(() => self.skipWaiting()));
});

self.addEventListener("activate", (event) => {
  event.waitUntil(forgetUnusedFiles().then(() => self.clients.claim()));
});

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const url = new URL(request.url);
  if (request.method !== "GET" || url.origin !== self.location.origin) {
    if (request.mode === "navigate" && url.origin === self.location.origin) {
      event.respondWith(fetch(request).catch(() => noNetwork("Nothing was sent.")));
    }
    return;
  }
  if (url.pathname.startsWith("/static/")) {
    event.respondWith(fileFor(request));
  } else if (request.mode === "navigate" && url.pathname.startsWith("/bench/")) {
    event.respondWith(pageFor(event));
  }
});

self.addEventListener("message", (event) => {
  const { type, addresses } = event.data ?? {};
  if (type === "warm") {
    event.waitUntil(warm(addresses, (told) => event.source?.postMessage(told)));
  } else if (type === "refresh") {
    event.waitUntil(Promise.all(addresses.map((address) => keepPage(address).catch(() => null))));
  }
});

// --- files -------------------------------------------------------------------------------------

async function keepFiles(release, files) {
  const cache = await caches.open(FILES + release);
  const kept = new Set((await cache.keys()).map((request) => new URL(request.url).pathname));
  // all or nothing: a release without one of its files must not be taken for whole
  await cache.addAll([...files, NO_NETWORK].filter((file) => !kept.has(file)).map((file) => new Request(file, { credentials: "omit" })));
}

async function hasFiles(release) {
  if (!release) {
    return false;
  }
  if (release === WORNPROOF.release) {
    return true;
  }
  // put with the files in one go, so it stands for all of them
  return caches.has(FILES + release).then((has) => has && caches.match(NO_NETWORK, { cacheName: FILES + release }).then(Boolean));
}

/** See to it that a page's files are here; false when they cannot be had now. */
async function bringFiles(release) {
  if (await hasFiles(release)) {
    return true;
  }
  try {
    const answer = await fetch("/offline/files.json", { cache: "no-store", credentials: "omit" });
    const told = await answer.json();
    if (told.release !== release) {
      return false;
    }
    await keepFiles(told.release, told.files);
    return true;
  } catch {
    // what may be there already stays: another attempt, or a new worker, may have brought it meanwhile
    return hasFiles(release);
  }
}

async function fileFor(request) {
  const kept = await caches.match(request, { ignoreVary: true });
  return kept ?? fetch(request);
}

/** Files of releases that no kept page needs any more. */
async function forgetUnusedFiles() {
  const needed = new Set();
  for (const name of await caches.keys()) {
    if (name.startsWith(PAGES)) {
      const cache = await caches.open(name);
      for (const page of await cache.matchAll()) {
        needed.add(page.headers.get("X-Wornproof-Release"));
      }
    }
  }
  const names = (await caches.keys()).filter((name) => name.startsWith(FILES));
  const { installing, waiting } = self.registration;
  if (installing || waiting || self.serviceWorker?.state === "redundant") {
    return; // a newer worker brings files that this one does not know of, and tidies up itself
  }
  const isNeeded = (release) => needed.has(release) || met.has(release);
  await Promise.all(names.filter((name) => !isNeeded(name.slice(FILES.length))).map((name) => caches.delete(name)));
}

// --- pages -------------------------------------------------------------------------------------

async function pageFor(event) {
  const { request } = event;
  const fromNetwork = fetchPage(request);
  event.waitUntil(fromNetwork.catch(() => null));
  const kept = await keptPage(request);
  const late = new Promise((resolve) => {
    setTimeout(resolve, PATIENCE_MS, null);
  });
  try {
    const answer = await (kept ? Promise.race([fromNetwork, late]) : fromNetwork);
    if (answer && !(kept && answer.status >= 500)) {
      return answer;
    }
  } catch {
    // no network: below
  }
  return kept ?? noNetwork("This page was never opened on this tablet while there was network.");
}

/** The page from the server, once its files are here too. Throws when it cannot be shown whole. */
async function fetchPage(request) {
  const answer = await fetch(request);
  const person = answer.headers.get("X-Wornproof-Person");
  const release = answer.headers.get("X-Wornproof-Release");
  if (!answer.ok || answer.redirected || !person || !release) {
    return answer;
  }
  met.add(release);
  if (!(await bringFiles(release))) {
    throw new Error("The page's files are not here.");
  }
  await becomePerson(person);
  if (!new URL(request.url).search) {
    await store(request.url, answer.clone(), person);
  }
  return answer;
}

async function keepPage(address) {
  const request = new Request(address, { credentials: "same-origin", redirect: "error", cache: "no-store", headers: { Accept: "text/html" } });
  return fetchPage(request);
}

async function store(url, answer, person) {
  const headers = new Headers(answer.headers);
  headers.set("X-Kept-At", String(Date.now()));
  const cache = await caches.open(PAGES + person);
  await cache.put(url, new Response(await answer.blob(), { status: answer.status, statusText: answer.statusText, headers }));
}

/** Pages of anybody else are forgotten: a tablet is handed from one person to the next. */
async function becomePerson(person) {
  if ((await whoIsHere()) === person) {
    return;
  }
  const others = (await caches.keys()).filter((name) => name.startsWith(PAGES) && name !== PAGES + person);
  await Promise.all(others.map((name) => caches.delete(name)));
  const who = await caches.open(WHO);
  await who.put("/offline/who", new Response(person));
}

async function whoIsHere() {
  const kept = await caches.match("/offline/who", { cacheName: WHO });
  return kept ? kept.text() : null;
}

async function keptPage(request) {
  const person = await whoIsHere();
  if (!person) {
    return null;
  }
  const cache = await caches.open(PAGES + person);
  const found = (await cache.match(request, { ignoreVary: true })) ?? (await cache.match(request, { ignoreVary: true, ignoreSearch: true }));
  return found && (await hasFiles(found.headers.get("X-Wornproof-Release"))) ? found : null;
}

async function noNetwork(why) {
  const page = await caches.match(NO_NETWORK);
  if (!page) {
    return new Response(`No network. ${why}`, { status: 503, headers: { "Content-Type": "text/plain; charset=utf-8" } });
  }
  const text = (await page.text()).replace("data-why>", `data-why>${why} `);
  const headers = new Headers(page.headers);
  return new Response(text, { status: 503, statusText: "No network", headers });
}

/** Keep these pages for later, a few at a time; what was kept a moment ago is left alone. */
async function warm(addresses, tell) {
  const wanted = [...addresses];
  let done = 0;
  let failed = 0;
  const next = async () => {
    while (wanted.length) {
      const address = wanted.shift();
      if (!(await isFresh(address))) {
        try {
          const answer = await keepPage(address);
          failed += answer.ok ? 0 : 1;
        } catch {
          failed += 1;
        }
      }
      done += 1;
      tell({ type: "warmed", done, failed, total: addresses.length });
    }
  };
  await Promise.all(Array.from({ length: AT_ONCE }, next));
  await forgetUnusedFiles();
}

async function isFresh(address) {
  const page = await keptPage(new Request(address));
  if (!page || page.headers.get("X-Wornproof-Release") !== WORNPROOF.release) {
    return false;
  }
  return Date.now() - Number(page.headers.get("X-Kept-At")) < FRESH_FOR_MS;
}
