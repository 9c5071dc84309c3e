// Entry module of typing in from paper: Enter goes down a column, Shift and Enter up, and leaving asks first.

const form = document.querySelector("[data-paper]");
if (form) {
  let isDirty = false;
  form.addEventListener("input", () => {
    isDirty = true;
  });
  form.addEventListener("submit", () => {
    isDirty = false;
  });
  window.addEventListener("beforeunload", (event) => {
    if (isDirty) {
      event.preventDefault();
    }
  });
  form.addEventListener("keydown", (event) => {
    if (event.key !== "Enter" || !event.target.matches("td input, td select")) {
      return;
    }
    // one Enter too many must not send half a sheet
    event.preventDefault();
    const column = event.target.name.split("-")[0];
    const boxes = [...form.querySelectorAll("td input:not([type=hidden]), td select")];
    const same = boxes.filter((box) => box.name.split("-")[0] === column);
    const step = event.shiftKey ? -1 : 1;
    const next = same[same.indexOf(event.target) + step];
    (next ?? (event.shiftKey ? event.target : form.querySelector("[type=submit]"))).focus();
    next?.select?.();
  });
}
