// Pure: moving one entry of a list.

/** The list with an entry moved by so many places, never over an end. */
export function moved(list, entry, by) {
  const from = list.indexOf(entry);
  if (from < 0) {
    return [...list];
  }
  const rest = list.filter((one) => one !== entry);
  const to = Math.min(Math.max(from + by, 0), rest.length);
  return [...rest.slice(0, to), entry, ...rest.slice(to)];
}

/** The list with an entry put before another one; at the end when there is no other. */
export function putBefore(list, entry, other) {
  if (entry === other) {
    return [...list];
  }
  const rest = list.filter((one) => one !== entry);
  const to = rest.indexOf(other);
  return to < 0 ? [...rest, entry] : [...rest.slice(0, to), entry, ...rest.slice(to)];
}
