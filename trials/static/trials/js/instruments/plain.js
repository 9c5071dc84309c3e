// View module: an instrument of named boxes and choices, which all others build on.

/** What is typed and chosen under `root`, by name; a tick box gives true or false. */
export function typedIn(root) {
  const typed = {};
  for (const box of root.querySelectorAll("input[name]")) {
    if (box.type === "checkbox") {
      typed[box.name] = box.checked;
    } else if (box.type === "radio") {
      typed[box.name] = box.checked ? box.value : (typed[box.name] ?? "");
    } else {
      typed[box.name] = box.value.trim();
    }
  }
  return typed;
}

/** Show a kept raw entry again, to be amended. */
export function fillIn(root, raw) {
  for (const box of root.querySelectorAll("input[name]")) {
    const value = raw[box.name];
    if (box.type === "checkbox") {
      box.checked = value === true;
    } else if (box.type === "radio") {
      box.checked = value !== undefined && value !== null && isSame(box.value, value);
    } else if (box.name in raw) {
      box.value = value ?? "";
    }
  }
}

function isSame(text, value) {
  return text === String(value) || (text !== "" && Number(text) === Number(value));
}

/** An instrument without anything of its own. */
export function wirePlain(root) {
  return { typed: () => typedIn(root), fill: (raw) => fillIn(root, raw) };
}
