// Entry module: signing out of a shared tablet. What waits for the server stays; kept pages go, so that nobody reads
// them after this person has left.

const DATABASE = "wornproof-bench";
const KEPT_PAGES = /^wornproof-(pages-|who)/u;

const form = document.querySelector("[data-sign-out]");
const dialog = document.getElementById("dialog-sign-out");

/** How many entries of this person have not left the tablet; 0 where there never was a bench. */
function entriesOf(person) {
  return new Promise((counted) => {
    const request = indexedDB.open(DATABASE);
    request.onupgradeneeded = () => request.transaction.abort(); // it was not there: leave it so
    request.onerror = (event) => {
      event.preventDefault();
      counted(0);
    };
    request.onsuccess = () => {
      const db = request.result;
      const count = db.transaction("entries").objectStore("entries").index("made");
      const asked = count.count(IDBKeyRange.bound([person, -Infinity], [person, Infinity]));
      asked.onsuccess = () => {
        db.close();
        counted(asked.result);
      };
    };
  });
}

async function forgetPages() {
  if ("caches" in window) {
    const names = (await caches.keys()).filter((name) => KEPT_PAGES.test(name));
    await Promise.all(names.map((name) => caches.delete(name)));
  }
}

form?.addEventListener("submit", async (event) => {
  event.preventDefault();
  const count = await entriesOf(Number(form.dataset.signOut));
  if (count) {
    dialog.querySelector("[data-sign-out-count]").textContent = count === 1 ? "1 entry of yours waits" : `${count} entries of yours wait`;
    dialog.showModal();
    return;
  }
  await forgetPages();
  form.submit();
});

dialog?.addEventListener("close", async () => {
  if (dialog.returnValue === "sign out") {
    await forgetPages();
    form.submit();
  }
});
