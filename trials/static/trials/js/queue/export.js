// This module has no DOM access. The last resort: everything that waits on the tablet as a file that the lab can take in.

export const FORMAT = "wornproof-waiting-entries";
export const VERSION = 1;
const AT_ONCE = 500;

/** {name, text, count} of a file with all entries of all persons, photos' bytes among them. */
export async function fileOf(store, now) {
  const entries = [];
  for (let skip = 0; ; skip += AT_ONCE) {
    const some = await store.list({ skip, most: AT_ONCE });
    for (const entry of some) {
      entries.push(await exported(entry, entry.has_blob ? await store.blobOf(entry.id) : null));
    }
    if (some.length < AT_ONCE) {
      break;
    }
  }
  const content = { format: FORMAT, version: VERSION, saved_at: now.toISOString(), entries };
  return {
    name: `bench-entries-${now.toISOString().slice(0, 16).replaceAll(":", "-")}.json`,
    text: JSON.stringify(content, null, 1),
    count: entries.length,
  };
}

async function exported(entry, blob) {
  const told = {
    id: entry.id,
    kind: entry.kind,
    method: entry.method,
    address: entry.address,
    body: entry.is_clocked ? { ...entry.body, clock_offset_s: entry.clock_offset_s } : entry.body,
    label: entry.label,
    by: entry.by,
    by_name: entry.by_name,
    made_at: new Date(entry.made_at).toISOString(),
  };
  return blob ? { ...told, bytes: { type: blob.type, base64: base64(new Uint8Array(await blob.arrayBuffer())) } } : told;
}

function base64(bytes) {
  const pieces = [];
  // in pieces: a call takes only so many arguments; a multiple of three keeps the padding at the end
  for (let from = 0; from < bytes.length; from += 24_000) {
    pieces.push(btoa(String.fromCharCode(...bytes.subarray(from, from + 24_000))));
  }
  return pieces.join("");
}
