// This module has no DOM access. What is sent, and what stays the same when it is sent again.

/**
 * The attempt to send this content. The same content again keeps its time, so that the server knows it for the same
 * entry; other content gets a new time. The id belongs to the drawn form and never changes.
 */
export function attemptFor(before, id, content, now) {
  const key = JSON.stringify(content);
  if (before && before.id === id && before.key === key) {
    return before;
  }
  return { id, key, body: { ...content, measured_at: now.toISOString() } };
}
