// Entry module: after a refused form, moves the focus to the list of problems so that a screen reader starts there.

document.querySelector("[data-takes-focus]")?.focus();
