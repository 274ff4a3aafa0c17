import assert from "node:assert/strict";
import { test } from "node:test";

import { choiceOf } from "../../dashboards/web/bench/hearingchoice.js";
import { Noticing } from "../../dashboards/web/bench/noticing.js";
import { CurrentTalk, currentWords, findingWords, tongueOf, tripWords } from "../../dashboards/web/bench/spoken.js";
import { SHAKES, TONES } from "../../dashboards/web/bench/tones.js";

/** @import { ChannelView } from "../../dashboards/web/shared/types.js" */

const START_NS = 1_700_000_000_000_000_000;
/** @param {Partial<ChannelView>} values */
const view = (values) => /** @type {ChannelView} */ ({ capture: "waiting", trace: null, marks: [], finding: null, ...values });
const button = { kind: "button", t_ns: START_NS, by: "recogniser" };
/** One second of readings, so many s after the button. @param {number} second @param {number[]} i @returns {import("../../dashboards/web/bench/feed.js").SamplesMessage} */
const second = (second, i) => ({ type: "samples", supply: "lab", channel: 1, t0_ns: START_NS + second * 1e9, t_ms: i.map((_, n) => (n * 1000) / i.length), v: i.map(() => 4), i });

test("button, settled and finding are noticed once each, and nothing of what was before the page", () => {
  const noticing = new Noticing();
  assert.deepEqual(noticing.update(view({ capture: "settled", marks: [button], finding: { trace: "T1" } })), []);
  const later = { ...button, t_ns: START_NS + 60e9 };
  assert.deepEqual(noticing.update(view({ capture: "booting", trace: "T2", marks: [later] })), ["button"]);
  assert.deepEqual(noticing.update(view({ capture: "booting", trace: "T2", marks: [later] })), []);
  assert.deepEqual(noticing.update(view({ capture: "settled", marks: [later] })), ["settled"]);
  assert.deepEqual(noticing.update(view({ capture: "settled", marks: [later], finding: { trace: "T2" } })), ["finding"]);
  assert.deepEqual(noticing.update(view({ capture: "settled", marks: [later], finding: { trace: "T2" } })), []);
});

/** What is noticed of these seconds after a button. @param {number[][]} seconds */
function heardOf(seconds) {
  const noticing = new Noticing();
  noticing.update(view({}));
  noticing.update(view({ capture: "booting", trace: "T", marks: [button] }));
  return seconds.flatMap((i, n) => noticing.samples(second(n, i)));
}

test("a busy current is a board at work; a flat one, a low one and one with a hole are not", () => {
  const busy = [0.3, 0.5, 0.25, 0.6];
  assert.deepEqual(heardOf([busy, busy, busy, busy, busy, busy]), ["boot"]);
  assert.deepEqual(heardOf([busy, busy, busy]), [], "not before three seconds are over");
  assert.deepEqual(heardOf(Array(9).fill([0.3, 0.31, 0.3, 0.29])), []);
  assert.deepEqual(heardOf(Array(9).fill([0.03, 0.05, 0.02, 0.06])), []);
  assert.deepEqual(heardOf([busy, busy, [0.3, 0, 0.3, 0.5], busy, busy, [0, 0, 0, 0], busy, busy]), []);
});

test("no two sounds are alike, the trip is the longest, and no tone runs into the next", () => {
  assert.equal(new Set(Object.values(TONES).map((tones) => JSON.stringify(tones))).size, Object.keys(TONES).length);
  const length = (/** @type {import("../../dashboards/web/bench/tones.js").Tone[]} */ tones) => tones[tones.length - 1].at + tones[tones.length - 1].for;
  for (const [name, tones] of Object.entries(TONES)) {
    assert.ok(tones.every((tone, n) => n === 0 || tone.at >= tones[n - 1].at + tones[n - 1].for), name);
    if (name !== "trip") assert.ok(length(tones) < length(TONES.trip), name);
  }
  assert.deepEqual(Object.keys(SHAKES), Object.keys(TONES));
});

test("a current is said in digits that can be remembered, in the language of the voice", () => {
  const said = (/** @type {number[]} */ list, /** @type {"en" | "de"} */ tongue) => list.map((amps) => currentWords(amps, tongue));
  assert.deepEqual(said([0, 0.00123, 0.0623, 0.9994, 0.9996, 1.256, -0.00004], "en"),
    ["0 milliamps", "1.2 milliamps", "62 milliamps", "999 milliamps", "1 amp", "1.26 amps", "0 milliamps"]);
  assert.deepEqual(said([0.00123, 1.256], "de"), ["1,2 Milliampere", "1,26 Ampere"]);
  assert.deepEqual(["de-DE", "de_AT", "den", "en-GB", "fr"].map(tongueOf), ["de", "de", "en", "en", "en"]);
});

test("an off that is not confirmed is never said to be off", () => {
  assert.equal(tripWords("Short", "short", true, "en"), "Tripped: Short. Output is off.");
  assert.equal(tripWords("Short", "short", false, "en"), "Tripped: Short. Off is not confirmed! Switch off at the supply.");
  assert.equal(tripWords("Short", "short", false, "de"), "Ausgelöst: Kurzschluss. Aus ist nicht bestätigt! Am Netzteil ausschalten.");
  assert.equal(findingWords({ signature: "clean-boot", confidence: 0.914 }, "en"), "Clean boot: busy, then settles. 91 percent sure.");
  assert.equal(findingWords({ signature: "mine", confidence: 0.5 }, "de"), "mine. 50 Prozent sicher.");
});

test("a current is said when it has changed, or when its time has come, and not too often", () => {
  const talk = new CurrentTalk();
  const due = (/** @type {[number, number][]} */ list, every = 0) => list.filter(([at, amps]) => talk.due(amps, at, every)).map(([at]) => at);
  assert.deepEqual(due([[0, 0.1], [1, 0.5], [2, 0.5], [5, 0.51], [6, 0.549], [7, 0.551]]), [0, 2, 7]);
  assert.deepEqual(due([[10, 0.5], [12, 0.5], [22, 0.5], [23, 0.5]], 5), [12, 22]);
});

test("choices that were kept by something else are as usual", () => {
  const usual = choiceOf(null);
  assert.equal(usual.speak, false);
  assert.deepEqual(choiceOf({ on: "yes", volume: { trip: 7, boot: 0 }, current: "3", voice: 5 }), { ...usual, volume: { ...usual.volume, boot: 0 } });
  assert.deepEqual(choiceOf({ ...usual, on: false, current: "15", voice: "Low" }), { ...usual, on: false, current: "15", voice: "Low" });
});
