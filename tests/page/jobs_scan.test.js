import assert from "node:assert/strict";
import { test } from "node:test";

import { LastScan, LONGEST_GAP_MS, LONGEST_SCAN, ScanReader } from "../../dashboards/web/jobs/scan.js";

/**
 * The scan that these keys end with, `gap` ms apart.
 * @param {ScanReader} reader
 * @param {string[]} keys
 * @param {number} gap
 */
function typed(reader, keys, gap, fromMs = 1000) {
  /** @type {string | null} */
  let found = null;
  keys.forEach((key, n) => { found = reader.key(key, fromMs + n * gap); });
  return found;
}
const label = (/** @type {string} */ text) => [...text, "Enter"];

test("a label at a scanner's pace is a scan, by fingers it is not", () => {
  assert.equal(typed(new ScanReader(), label("R-1042"), 8), "R-1042");
  assert.equal(typed(new ScanReader(), label("R-1042"), LONGEST_GAP_MS), "R-1042");
  assert.equal(typed(new ScanReader(), label("R-1042"), LONGEST_GAP_MS + 1), null);
});

test("what was typed a while before is not part of it, nor is a shift key", () => {
  const reader = new ScanReader();
  reader.key("b", 0); // a foot switch
  assert.equal(typed(reader, ["Shift", "R", "Shift", "-", "1", "0", "Enter"], 8, 5000), "R-10");
});

test("Enter alone, two keys, and keys that are no text are no scan", () => {
  assert.equal(new ScanReader().key("Enter", 0), null);
  assert.equal(typed(new ScanReader(), ["a", "b", "Enter"], 5), null);
  assert.equal(typed(new ScanReader(), ["R", "-", "ArrowLeft", "1", "0", "Enter"], 5), null);
  assert.equal(typed(new ScanReader(), label("x".repeat(LONGEST_SCAN + 1)), 5), null);
});

test("a second label after the first is a scan of its own", () => {
  const reader = new ScanReader();
  assert.equal(typed(reader, label("R-1"), 8, 0), "R-1");
  assert.equal(typed(reader, label("R-2"), 8, 60), "R-2");
});

test("of two scans at once the last one wins and says so", async () => {
  /** @type {string[]} */
  const done = [];
  /** @type {((value?: unknown) => void)[]} */
  const waiting = [];
  const scans = new LastScan(async (text, last) => {
    await new Promise((resolve) => { waiting.push(resolve); });
    if (last()) done.push(text);
    return `${text} is on the bench.`;
  });
  const first = scans.take("R-1");
  const second = scans.take("R-2");
  waiting.forEach((go) => go());
  assert.equal(await first, null);
  assert.deepEqual(await second, { words: "R-2 is on the bench. Scanned just before and not used: R-1.", failed: false });
  assert.deepEqual(done, ["R-2"]);
  const third = scans.take("R-3");
  waiting.at(-1)?.();
  assert.deepEqual(await third, { words: "R-3 is on the bench.", failed: false });
});

test("a scan that fails says why", async () => {
  const scans = new LastScan(async () => { throw new Error("The bench does not answer."); });
  assert.deepEqual(await scans.take("R-1"), { words: "The bench does not answer.", failed: true });
});
