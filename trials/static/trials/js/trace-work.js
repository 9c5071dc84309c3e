// Entry module: shows how far a worker is with a long trace, and loads the page again when it is done.

const notice = document.querySelector("[data-work]");
const LOOK_EVERY_MS = 1000;

async function look() {
  try {
    const answer = await fetch(notice.dataset.work, { headers: { Accept: "application/json" } });
    const state = answer.ok ? await answer.json() : null;
    if (state?.is_over) {
      window.location.reload();
      return;
    }
    if (state) {
      notice.querySelector("[data-work-words]").textContent = state.words;
      notice.querySelector("[data-work-bar]").value = state.percent;
    }
  } catch (error) {
    console.warn("The server did not answer; looking again.", error);
  }
  window.setTimeout(look, LOOK_EVERY_MS);
}

if (notice) {
  window.setTimeout(look, LOOK_EVERY_MS);
}
