import assert from "node:assert/strict";
import { test } from "node:test";

import { changes, merge, same } from "../../dashboards/web/jobs/merge.js";
import { sentence } from "../../dashboards/web/jobs/sentences.js";
import { fitting } from "../../dashboards/web/jobs/shrink.js";
import { HEIGHT, highest, lines, WIDTH } from "../../dashboards/web/jobs/spark.js";

const base = { device: "phone", symptom: "no start", history: "", consent: ["data"] };

test("what only one of two people changed is kept, whoever it was", () => {
  const mine = { ...base, symptom: "no start, warm" };
  const there = { ...base, history: "fell into water", consent: ["data", "heat"] };
  assert.deepEqual(merge(base, mine, there), {
    values: { ...base, symptom: "no start, warm", history: "fell into water", consent: ["data", "heat"] },
    taken: ["history", "consent"],
    disputed: [],
  });
});

test("where both changed the same field, what is typed stays and is disputed", () => {
  const found = merge(base, { ...base, symptom: "mine" }, { ...base, symptom: "theirs" });
  assert.equal(found.values.symptom, "mine");
  assert.deepEqual(found.disputed, ["symptom"]);
  assert.deepEqual(merge(base, { ...base, symptom: "same" }, { ...base, symptom: "same" }).disputed, []);
});

test("only what was changed is sent; the order of ticks is no change", () => {
  assert.ok(same(["b", "a"], ["a", "b"]));
  assert.deepEqual(changes(base, { ...base, device: "tablet" }), { device: "tablet" });
});

test("a small picture has its highest current at the edge, and a gap is a gap", () => {
  const found = lines([0, 1, 2, 3], [0, 1, null, 0.5], 1);
  assert.equal(found.length, 2);
  const [[start, peak], [end]] = found.map((one) => one.split(" ").map((point) => point.split(",").map(Number)));
  assert.deepEqual(start, [0, HEIGHT - 3]);
  assert.deepEqual(peak, [WIDTH / 3, 3]);
  assert.deepEqual(end, [WIDTH, HEIGHT / 2]);
  assert.equal(highest([0.1, null, 0.7]), 0.7);
  assert.deepEqual(lines([], [], 1), []);
});

test("an entry of the journal is one sentence, with what was changed and by whom", () => {
  const said = (/** @type {string} */ kind, /** @type {Record<string, any>} */ payload) => sentence({ kind, payload, supply: null, channel: null });
  assert.equal(said("step", { step: "cleaned", label: "Cleaned", detail: "charger chip", text: "green", minutes: 12, by: "anna" }), "Cleaned: charger chip. Green. Took 12 min, by anna");
  assert.equal(said("step", { step: "own-kind", by: "other" }), "own-kind");
  assert.equal(said("note", { text: "warm at the charger chip", by: "anna" }), "warm at the charger chip, by anna");
  assert.equal(said("note", { text: "warm" }), "warm");
  assert.equal(said("job-state", { before: "repairing", after: "testing" }), "Being repaired → Being tested");
  assert.equal(said("job-changed", { changed: ["symptom", "wanted_back"], by: "page" }), "Changed: Symptom, What the owner needs back, on the page");
  assert.equal(said("check", { item: "radios", label: "Radios", state: "not-needed", note: "none fitted" }), "Not needed: Radios (none fitted)");
  assert.equal(said("constructor", { text: "a kind that this page does not know" }), "constructor: a kind that this page does not know");
  assert.equal(said("settings", { first: true, changed: ["bench"] }), "Settings kept for the first time");
  assert.equal(said("settings", { first: false, changed: [..."abcdefg"] }), "Settings changed: a, b, c, d, e and 2 more");
  assert.equal(said("output", { output: "off", reason: "link-back", text: "the link came up" }), "Output off. The link came up");
  assert.equal(said("output", { output: "off", reason: "re-armed", text: "" }), "Output off. Re-armed by a person.");
  assert.equal(said("re-arm", { by: "foot-switch", rule: "short", trip: 3 }), "Re-armed after: Short, by foot switch");
  assert.equal(said("advance", { by: "page" }), "Limit raised for the boot, on the page");
  assert.equal(said("probe", { text: "rail 212 Ω" }), "Probe: rail 212 Ω");
  assert.equal(said("quiet-hours", { hours: "22:00-06:30" }), "Quiet hours (22:00-06:30) ended it");
  const changed = { name: "p", origin: "own", changed: ["limit_a", "probe"], before: { limit_a: 1, probe: {} }, after: { limit_a: 2 } };
  assert.equal(said("plan", changed), "Plan p (your own): limit_a 1 → 2, probe {} → none");
  assert.equal(said("plan", { name: "p", origin: "own", changed: [], before: null, after: {} }), "Plan p made");
  assert.equal(sentence({ kind: "link", payload: { up: true }, supply: "psu-a", channel: 2 }), "Supply reached (psu-a · 2)");
});

test("a photo is made smaller in proportion, and never larger", () => {
  assert.deepEqual(fitting(4000, 3000), [2560, 1920]);
  assert.deepEqual(fitting(3000, 4000), [1920, 2560]);
  assert.deepEqual(fitting(640, 480), [640, 480]);
  assert.deepEqual(fitting(100000, 1), [2560, 1]);
});
