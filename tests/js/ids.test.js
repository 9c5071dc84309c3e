import assert from "node:assert/strict";
import { webcrypto } from "node:crypto";
import { test } from "node:test";

import { mintId } from "../../trials/static/trials/js/ids.js";

// RFC 9562, section 5.4: the version digit is 4, the variant digit one of 8, 9, a, b.
const VERSION_4 = /^[0-9a-f]{8}-[0-9a-f]{4}-4[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}$/;

test("ids are random UUIDs of version 4", () => {
  const ids = new Set();
  for (let round = 0; round < 500; round += 1) {
    const id = mintId((bytes) => webcrypto.getRandomValues(bytes));
    assert.match(id, VERSION_4);
    ids.add(id);
  }
  assert.equal(ids.size, 500);
});

test("the marks of version and variant are set whatever the random bytes are", () => {
  assert.equal(mintId((bytes) => bytes.fill(0)), "00000000-0000-4000-8000-000000000000");
  assert.equal(mintId((bytes) => bytes.fill(255)), "ffffffff-ffff-4fff-bfff-ffffffffffff");
});
