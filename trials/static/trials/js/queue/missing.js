// This module has no DOM access. What this way of opening the bench cannot do, in sentences.

/** `isPersisted` is the browser's answer to keeping the storage, or null where it cannot be asked. */
export function missingWords({ isSecure, hasWorker, hasLocks, isPersisted }) {
  const told = [];
  if (!isSecure) {
    told.push(
      "This page came over plain http. Entries are kept on this tablet all the same, but the page itself does not open without network. Ask the lab for its https address.",
    );
  } else if (!hasWorker) {
    told.push("This browser does not open pages without network. Entries are kept on this tablet all the same.");
  }
  if (isSecure && !hasLocks) {
    told.push("This browser cannot tell its tabs apart. Keep the bench open in one tab.");
  }
  if (isPersisted === false || (isSecure && isPersisted === null)) {
    told.push(
      "The browser has not promised to keep what waits here when the tablet's storage runs low. Install the page as an app, and do not leave entries waiting for days.",
    );
  }
  return told;
}
