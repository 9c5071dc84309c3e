// This module has no DOM access. One tab sends at a time. Sending twice would do no harm, only work.

const NAME = "wornproof-sending";
const LEASE_MS = 25_000; // longer than one request may take

/**
 * {inTurn(work)}: runs `work(renew)` when nobody else is sending and resolves with true, or with false at once.
 * `locks` is navigator.locks, which only https and localhost have; without it a lease in the store serves.
 */
export function turnsFor({ locks, store, now, holder }) {
  if (locks) {
    return {
      inTurn: (work) =>
        locks.request(NAME, { ifAvailable: true }, async (lock) => {
          if (!lock) {
            return false;
          }
          await work(async () => true);
          return true;
        }),
    };
  }
  const renew = () => store.lease(NAME, holder, now(), now() + LEASE_MS);
  return {
    async inTurn(work) {
      if (!(await renew())) {
        return false;
      }
      try {
        await work(renew);
      } finally {
        await store.lease(NAME, holder, now(), now());
      }
      return true;
    },
  };
}
