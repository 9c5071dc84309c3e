// Entry module: opens the dialog named by data-opens and closes the one around data-closes.

document.addEventListener("click", (event) => {
  const opener = event.target.closest("[data-opens]");
  if (opener) {
    document.getElementById(opener.dataset.opens).showModal();
    return;
  }
  event.target.closest("[data-closes]")?.closest("dialog")?.close();
});
