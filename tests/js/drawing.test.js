import assert from "node:assert/strict";
import test from "node:test";

import { inOrder } from "../../trials/static/trials/js/queue/drawing.js";

const settled = () => new Promise((resolve) => setTimeout(resolve, 5));

test("a slow drawing never ends after one that began later", async () => {
  const ended = [];
  const release = [];
  let count = 0;
  const ask = inOrder(
    async () => {
      count += 1;
      const mine = count;
      await new Promise((resolve) => release.push(resolve));
      ended.push(mine);
    },
    (work) => work(),
  );
  ask();
  ask();
  ask();
  await settled();
  assert.equal(release.length, 1);
  release[0]();
  await settled();
  assert.deepEqual(ended, [1]);
  // three askings are two drawings: the first, and one more for all that came meanwhile
  release[1]();
  await settled();
  assert.deepEqual(ended, [1, 2]);
  assert.equal(count, 2);
});

test("a drawing that fails does not stop the next", async () => {
  let count = 0;
  const failures = [];
  const ask = inOrder(
    async () => {
      count += 1;
      if (count === 1) {
        throw new Error("no database");
      }
    },
    (work) => work().catch((error) => failures.push(error.message)),
  );
  ask();
  await settled();
  ask();
  await settled();
  assert.equal(count, 2);
  assert.deepEqual(failures, ["no database"]);
});
