// View module: registers the service worker, has a sheet's pages kept, and says how far that is.

import { listen } from "../queue.js";

const MOST_PAGES = 300;

export async function wireOffline(bar) {
  const address = bar.dataset.worker;
  const ready = bar.querySelector("[data-queue-ready]");
  if (!address || !("serviceWorker" in navigator)) {
    return;
  }
  navigator.serviceWorker.addEventListener("message", ({ data }) => {
    if (data?.type === "warmed") {
      ready.hidden = false;
      ready.textContent = readyWords(data);
    }
  });
  await navigator.serviceWorker.register(address, { scope: "/bench/", updateViaCache: "none" });
  const { active } = await navigator.serviceWorker.ready;
  const pages = pagesToKeep(document, window.location);
  active.postMessage({ type: "warm", addresses: pages });

  // what was sent is in the server's page now: have the kept page drawn anew
  listen("answered", ({ meaning, id }) => {
    if (meaning === "kept" && id) {
      active.postMessage({ type: "refresh", addresses: [window.location.pathname] });
    }
  });
}

/** This page and the runs it leads to. */
function pagesToKeep(page, { origin, pathname }) {
  const linked = [...page.querySelectorAll('a[href*="/runs/"]')]
    .map((link) => new URL(link.href))
    .filter((url) => url.origin === origin && /^\/bench\/[-\w]+\/runs\/\d+\/$/u.test(url.pathname))
    .map((url) => url.pathname);
  const added = [...page.querySelectorAll("[data-page]")].map((option) => option.dataset.page);
  return [...new Set(["/bench/", "/bench/tablet/waiting/", pathname, ...added, ...linked])].slice(0, MOST_PAGES);
}

export function readyWords({ done, failed, total }) {
  if (done < total) {
    return `Getting ready to work without network: ${done} of ${total} pages.`;
  }
  return failed
    ? `${total - failed} of ${total} pages open without network. The others need network once more.`
    : "This page and the runs it leads to open without network.";
}
