// What this tablet was told to do: a hardware key, sound, vibration. Kept by the browser, where it lets us.

export function remembered(name, fallback) {
  try {
    return JSON.parse(localStorage.getItem(`bench-${name}`)) ?? fallback;
  } catch {
    return fallback; // a private window, or something else's text under our name
  }
}

/** True when it will still be known after a reload. */
export function remember(name, value) {
  try {
    localStorage.setItem(`bench-${name}`, JSON.stringify(value));
    return true;
  } catch {
    return false;
  }
}
