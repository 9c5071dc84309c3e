// The queue's own database on the tablet (IndexedDB, which also exists on plain http). No DOM access.
//
//   entries   what is to be sent, by id, in its state; photos' bytes lie apart in `blobs`, so that reading entries is quick
//   sent      what has left, by id: a page from the cache still knows what was entered on it
//   drafts    what is half typed, by person and place
//   facts     small things by name: the clock's offset, the lease of the tab that sends

import { LONGEST_MS } from "./backoff.js";
import { LATER, WAITING } from "./flow.js";

const NAME = "wornproof-bench";
const VERSION = 1;
const SENT_KEPT_FOR_MS = 14 * 24 * 3600 * 1000;
const MOST_ABOUT_ONE = 50; // entries looked at; a run has a handful

/** Open the database, making it on the first visit. `factory` is indexedDB. */
export function openStore(factory) {
  return new Promise((opened, failed) => {
    const request = factory.open(NAME, VERSION);
    request.onupgradeneeded = () => {
      const entries = request.result.createObjectStore("entries", { keyPath: "id" });
      entries.createIndex("due", ["state", "by", "next_at"]);
      entries.createIndex("made", ["by", "made_at"]);
      entries.createIndex("about", "about");
      entries.createIndex("kind", ["by", "kind"]);
      request.result.createObjectStore("blobs");
      const sent = request.result.createObjectStore("sent", { keyPath: "id" });
      sent.createIndex("about", "about");
      sent.createIndex("at", "at");
      request.result.createObjectStore("drafts");
      request.result.createObjectStore("facts");
    };
    request.onsuccess = () => {
      const db = request.result;
      // a newer page wants to change the database: let it, this page opens it again when it needs it
      db.onversionchange = () => db.close();
      opened(storeOn(db));
    };
    request.onerror = () => failed(request.error);
    request.onblocked = () => failed(new Error("Another page holds the tablet's database open."));
  });
}

function storeOn(db) {
  /** Run `work(stores, done)` in one transaction; resolves with what it gave to `done`, once that is on the disk. */
  function within(names, mode, work) {
    return new Promise((resolve, reject) => {
      // strict: 'kept' is said after this, so the bytes must have reached the disk
      const transaction = db.transaction(names, mode, { durability: mode === "readwrite" ? "strict" : "default" });
      let result;
      transaction.oncomplete = () => resolve(result);
      transaction.onabort = () => reject(transaction.error ?? new Error("The tablet's database gave up."));
      const stores = Object.fromEntries(names.map((name) => [name, transaction.objectStore(name)]));
      work(stores, (given) => {
        result = given;
      });
    });
  }

  const reading = (names, work) => within(names, "readonly", work);
  const writing = (names, work) => within(names, "readwrite", work);
  const taking = (request, done) => {
    request.onsuccess = () => done(request.result);
  };

  return {
    /** Keep an entry, and its bytes if it has any. The same id again takes the place of what was there. */
    add(entry, blob = null) {
      return writing(["entries", "blobs"], ({ entries, blobs }) => {
        entries.put(entry);
        if (blob) {
          blobs.put(blob, entry.id);
        }
      });
    },

    /** Many entries at once, such as those of a file. */
    addAll(list) {
      return writing(["entries"], ({ entries }) => {
        for (const entry of list) {
          entries.put(entry);
        }
      });
    },

    get: (id) => reading(["entries"], ({ entries }, done) => taking(entries.get(id), done)),
    blobOf: (id) => reading(["blobs"], ({ blobs }, done) => taking(blobs.get(id), (found) => done(found ?? null))),

    /** Change an entry that is still there; gives it, or null when it has left meanwhile. */
    change(id, changes) {
      return writing(["entries"], ({ entries }, done) => {
        done(null);
        taking(entries.get(id), (entry) => {
          if (entry) {
            const changed = { ...entry, ...changes };
            entries.put(changed);
            done(changed);
          }
        });
      });
    },

    /** The entry has left for good: one transaction takes it out and remembers that it went. */
    leave(id, remembered) {
      return writing(["entries", "blobs", "sent"], ({ entries, blobs, sent }) => {
        entries.delete(id);
        blobs.delete(id);
        sent.put({ ...remembered, id });
      });
    },

    /** Entries of a person to be sent, the longest waiting first, with those whose clock was set back. */
    async due(by, now, most, state = WAITING) {
      const far = now + 2 * LONGEST_MS;
      const ranges = [
        IDBKeyRange.bound([state, by, -Infinity], [state, by, now]),
        IDBKeyRange.bound([state, by, far], [state, by, Infinity], true),
      ];
      const found = await Promise.all(
        ranges.map((range) =>
          reading(["entries"], ({ entries }, done) => taking(entries.index("due").getAll(range, most), done)),
        ),
      );
      return found.flat().slice(0, most);
    },

    /** When the next entry of a person is due; null when none waits. */
    async nextAt(by) {
      const first = (state) =>
        reading(["entries"], ({ entries }, done) => {
          done(Infinity);
          const range = IDBKeyRange.bound([state, by, -Infinity], [state, by, Infinity]);
          taking(entries.index("due").openKeyCursor(range), (cursor) => done(cursor ? cursor.key[2] : Infinity));
        });
      const next = Math.min(...(await Promise.all([WAITING, LATER].map(first))));
      return next === Infinity ? null : next;
    },

    /** How many of each state a person has here, and how many wait of others. */
    async counts(by) {
      const names = await this.people();
      const of = (person, state) =>
        reading(["entries"], ({ entries }, done) =>
          taking(entries.index("due").count(IDBKeyRange.bound([state, person, -Infinity], [state, person, Infinity])), done),
        );
      const [soon, later, refused, beside] = await Promise.all(
        [WAITING, LATER, "refused", "beside"].map((state) => of(by, state)),
      );
      const others = await Promise.all(
        names
          .filter((person) => person.by !== by)
          .map(async ({ by: other, name }) => ({
            by: other,
            name,
            count: (await of(other, WAITING)) + (await of(other, LATER)) + (await of(other, "refused")),
          })),
      );
      return { waiting: soon + later, refused, beside, others: others.filter((other) => other.count) };
    },

    /** Everybody of whom something is here: [{by, name}]. */
    people() {
      return reading(["entries"], ({ entries }, done) => {
        const found = [];
        done(found);
        const index = entries.index("made");
        const step = (range) => {
          taking(index.openCursor(range), (cursor) => {
            if (cursor) {
              found.push({ by: cursor.value.by, name: cursor.value.by_name });
              step(IDBKeyRange.lowerBound([cursor.value.by, Infinity], true));
            }
          });
        };
        step(null);
      });
    },

    /** Entries in the order they were made, `most` of them from `skip` on; of one person or of all. */
    list({ by = null, skip = 0, most = 100 } = {}) {
      return reading(["entries"], ({ entries }, done) => {
        const range = by === null ? null : IDBKeyRange.bound([by, -Infinity], [by, Infinity]);
        const found = [];
        let isSkipped = skip === 0;
        done(found);
        taking(entries.index("made").openCursor(range), (cursor) => {
          if (!cursor) {
            return;
          }
          if (!isSkipped) {
            isSkipped = true;
            cursor.advance(skip);
            return;
          }
          found.push(cursor.value);
          if (found.length < most) {
            cursor.continue();
          }
        });
      });
    },

    /** What waits about something, such as "run:17", and what went to the server about it from here. */
    about(what) {
      return reading(["entries", "sent"], ({ entries, sent }, done) => {
        const found = { waiting: [], sent: [] };
        done(found);
        taking(entries.index("about").getAll(what), (list) => {
          found.waiting = list;
        });
        taking(sent.index("about").getAll(what), (list) => {
          found.sent = list;
        });
      });
    },

    /** The same about many things in one look: [{about, waiting, sent}]. */
    aboutMany(list) {
      return reading(["entries", "sent"], ({ entries, sent }, done) => {
        const found = list.map((about) => ({ about, waiting: [], sent: [] }));
        done(found);
        for (const one of found) {
          taking(entries.index("about").getAll(one.about, MOST_ABOUT_ONE), (rows) => {
            one.waiting = rows;
          });
          taking(sent.index("about").getAll(one.about, MOST_ABOUT_ONE), (rows) => {
            one.sent = rows;
          });
        }
      });
    },

    /** Whether a person has an entry of this kind still to send. */
    has(by, kind) {
      return reading(["entries"], ({ entries }, done) => {
        done(false);
        taking(entries.index("kind").openCursor(IDBKeyRange.only([by, kind])), (cursor) => {
          if (cursor && [WAITING, LATER].includes(cursor.value.state)) {
            done(true);
          } else {
            cursor?.continue();
          }
        });
      });
    },

    /** Entries of a kind that a person has here, such as "run". */
    ofKind: (by, kind) =>
      reading(["entries"], ({ entries }, done) => taking(entries.index("kind").getAll(IDBKeyRange.only([by, kind])), done)),

    /** Forget what was sent long ago. */
    forgetOld(now) {
      return writing(["sent"], ({ sent }) => {
        taking(sent.index("at").openCursor(IDBKeyRange.upperBound(now - SENT_KEPT_FOR_MS)), (cursor) => {
          if (cursor) {
            cursor.delete();
            cursor.continue();
          }
        });
      });
    },

    keepDraft: (key, draft) => writing(["drafts"], ({ drafts }) => drafts.put(draft, key)),
    draftOf: (key) => reading(["drafts"], ({ drafts }, done) => taking(drafts.get(key), (found) => done(found ?? null))),
    dropDraft: (key) => writing(["drafts"], ({ drafts }) => drafts.delete(key)),

    fact: (name) => reading(["facts"], ({ facts }, done) => taking(facts.get(name), (found) => done(found ?? null))),
    keepFact: (name, value) => writing(["facts"], ({ facts }) => facts.put(value, name)),

    /** Take or renew the right to send until `until`; false while somebody else holds it. */
    lease(name, holder, now, until) {
      return writing(["facts"], ({ facts }, done) => {
        taking(facts.get(name), (held) => {
          const isFree = !held || held.holder === holder || held.until <= now || held.until > until + LONGEST_MS;
          if (isFree) {
            facts.put({ holder, until }, name);
          }
          done(isFree);
        });
      });
    },

    close: () => db.close(),
  };
}
