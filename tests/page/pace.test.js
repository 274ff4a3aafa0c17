import assert from "node:assert/strict";
import { test } from "node:test";

import { Pace, SCANNER_MS } from "../../dashboards/web/shared/pace.js";

test("the blank and the end of what a scanner types are told from a press", () => {
  const pace = new Pace();
  assert.deepEqual([..."R 1042", "Enter"].map((key, n) => pace.key(key, 1000 + n * SCANNER_MS)), [false, true, true, true, true, true, true]);
  assert.equal(pace.count, 6);
  assert.equal(pace.key("Enter", 1000 + 6 * SCANNER_MS + 1), false);
});

test("keys that are no text make nothing quick", () => {
  const pace = new Pace();
  pace.key("Tab", 0);
  assert.equal(pace.key(" ", 1), false);
  assert.equal(pace.key("F13", 500), false);
});
