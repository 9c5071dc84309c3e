// Entry module: waits for findings that are being computed. Words half typed are never thrown away.

const notice = document.querySelector("[data-state-url]");
const form = document.querySelector("main form");
const LOOK_EVERY_MS = 1500;
const GIVE_UP_AFTER = 80;
let isTouched = false;

form?.addEventListener("input", () => {
  isTouched = true;
});

function offerReload() {
  const link = document.createElement("a");
  link.href = window.location.pathname;
  link.textContent = "Load the new findings (keep your words first)";
  notice.querySelector("p").replaceChildren("New findings are ready. ", link);
}

async function look(tries) {
  try {
    const answer = await fetch(notice.dataset.stateUrl, { headers: { Accept: "application/json" } });
    const state = answer.ok ? await answer.json() : null;
    if (state?.is_current) {
      if (isTouched) {
        offerReload();
      } else {
        window.location.reload();
      }
      return;
    }
  } catch (error) {
    console.warn("The server did not answer; looking again.", error);
  }
  if (tries < GIVE_UP_AFTER) {
    window.setTimeout(look, LOOK_EVERY_MS, tries + 1);
  }
}

if (notice?.dataset.isCurrent === "no") {
  window.setTimeout(look, LOOK_EVERY_MS, 0);
}
