import assert from "node:assert/strict";
import { test } from "node:test";

import { sentence } from "../../dashboards/web/jobs/sentences.js";
import { beganOrEnded, gapsText, hintOf, lasting, mostText, notOff, otherSets, outcome, parametersOf, pitch, placed, pointsOf, probes, resultText, toldRows, unitOf, valueText, verdict, withPlace } from "../../dashboards/web/measure/measurewords.js";
import { axisTexts, comparable, courseOf, courseRole, lineOf, reach, together } from "../../dashboards/web/measure/plotdata.js";

const GAP = "\u00a0";
/** @param {string} name @param {Record<string, unknown>} [more] @returns {any} */
const parameter = (name, more = {}) => ({ name, title: name, unit: "A", kind: "number", default: null, default_text: "", low: 0.05, high: 10, choices: [], needed: false, ...more });
/** @param {string} text @param {number | null} ohm @param {number} t_ns @returns {any} */
const point = (text, ohm, t_ns) => ({ t_ns, kind: "point", text, values: { resistance_ohm: ohm, u_ohm: 0.002 }, photo: "" });

test("the tone rises by even intervals over three octaves, and is silent without a figure", () => {
  assert.deepEqual([0, 1 / 3, 2 / 3, 1].map((ear) => Math.round(pitch(ear) ?? 0)), [220, 440, 880, 1760]);
  assert.deepEqual([-1, 2].map(pitch), [220, 1760]);
  assert.deepEqual([null, undefined, NaN].map(pitch), [null, null, null]);
});

test("what is told live has its unit and its uncertainty, the resistance first", () => {
  assert.deepEqual(toldRows({ energy_j: 1.5, points: 2, u_ohm: 0.002, noise_ohm: 0.001, resistance_ohm: 0.0841, power_w: null }), [
    { name: "resistance_ohm", title: "Resistance", text: `84.1${GAP}mΩ ± 2.0${GAP}mΩ` },
    { name: "energy_j", title: "Energy", text: `1.5${GAP}J` },
    { name: "power_w", title: "Power", text: "–" },
  ]);
  assert.deepEqual(["charge_ah", "square_a2s", "held_s", "points"].map(unitOf), [["charge", "Ah"], ["square", "A²s"], ["held", "s"], ["points", ""]]);
});

test("points stand by resistance, those without contact last", () => {
  const happened = [point("far", 0.09, 1), point("air", null, 2), point("near", 0.02, 3), { ...point("x", 0, 4), kind: "mark" }];
  assert.deepEqual(pointsOf(happened).map(({ text }) => text), ["near", "far", "air"]);
  assert.deepEqual(withPlace(["a", "b"], "b"), ["b", "a"]);
  assert.equal(withPlace(Array.from({ length: 20 }, (_, n) => `${n}`), "new").length, 16);
});

test("figures that were typed are numbers within their range, or the fault stands at their field", () => {
  const cards = [parameter("limit_a"), parameter("rail_v", { needed: true, unit: "V" }), parameter("kind", { kind: "choice" }), parameter("slow", { kind: "bool" })];
  assert.deepEqual(parametersOf(cards, { limit_a: "1,5", rail_v: "3", kind: "x", slow: false }), [{ limit_a: 1.5, rail_v: 3, kind: "x", slow: false }, {}]);
  const [values, faults] = parametersOf(cards, { limit_a: "11", rail_v: " ", kind: "", slow: true });
  assert.deepEqual(values, { slow: true });
  assert.deepEqual(faults, { limit_a: `11${GAP}A: not within 0.05${GAP}A to 10${GAP}A.`, rail_v: "This has to be given." });
  assert.match(parametersOf(cards, { limit_a: "a lot", rail_v: "3" })[1].limit_a, /not a number/);
  assert.deepEqual(placed(["rail_v: above limit_a", "limit_a = 3: too much", "no output", "plan.limit_a: none"], cards),
    { rail_v: "rail_v: above limit_a", limit_a: "limit_a = 3: too much", "": "no output plan.limit_a: none" });
  assert.equal(hintOf(parameter("limit_a", { default_text: "that of the plan" })), `0.05${GAP}A to 10${GAP}A. Empty: that of the plan.`);
  assert.equal(hintOf(parameter("limit_a", { default: 1, high: null, default_text: "As held." })), `0.05${GAP}A or more. Empty: 1${GAP}A. As held.`);
});

test("a result has its interval, and its verdict a sign and a word", () => {
  const result = { value: 0.084, unit: "Ω", u: 0.002, low: null, high: null };
  assert.equal(resultText(result), `84.0${GAP}mΩ ± 2.0${GAP}mΩ`);
  assert.equal(resultText({ value: 98, unit: "%", u: null, low: 89, high: 99.6 }), `98${GAP}% (89${GAP}% to 99.6${GAP}%)`);
  assert.equal(resultText({ ...result, value: "ohmic" }), "ohmic");
  assert.equal(resultText({ ...result, value: null }), "–");
  assert.deepEqual([verdict("good"), verdict("bad"), outcome("unclear"), outcome("new")], ["✓ good", "✗ bad", "? cannot be told", "new"]);
  assert.deepEqual([5.9, 65, 3900, null].map(lasting), ["5 s", "1 min 05 s", "1 h 05 min", "–"]);
  assert.equal(mostText({ role: "usb", supply: "lab", channel: 2, plan: "phone", voltage_v: 5, limit_a: 0.5, power_w: null, energy_j: null }),
    `usb: lab · 2: 5${GAP}V · 500${GAP}mA (plan phone)`);
});

test("curves are drawn over one abscissa in its order, without what was not measured", () => {
  /** @param {(number | null)[]} values @param {number[]} [u] */
  const column = (values, u = []) => ({ name: "c", title: "c", unit: "V", values, u });
  const line = lineOf({ name: "iv", title: "", t0_ns: null, columns: [column([2, 1, 3]), column([20, 10, null], [2, 1, 0])], fitted: [21, 11, 31], weights: [], gaps: [] });
  assert.deepEqual(line, { x: [1, 2], y: [10, 20], u: [1, 2], fitted: [11, 21] });
  const data = together([line, { x: [1.5], y: [7] }]);
  assert.deepEqual(data, [[1, 1.5, 2], [10, undefined, 20], [undefined, 7, undefined]]);
  const [low, high] = reach(data.slice(1), [1, 0, 2]);
  assert.ok(low < 7 && high > 22);
});

test("a course is broken where nothing was read, whichever columns tell it", () => {
  /** @param {string} name @param {(number | null)[]} values */
  const column = (name, values) => ({ name, title: name, unit: "A", values, u: [] });
  /** @type {[number, number][]} */
  const gaps = [[1.5, 9.5]];
  const curve = { name: "course_usb", title: "", t0_ns: 5, fitted: [], weights: [1, 1, 1], gaps, columns: [column("t_s", [0.5, 1, 10]), column("mean_a", [2, 3, 4]), column("low_a", [1, 2, 3]), column("high_a", [3, 4, 5])] };
  assert.deepEqual(courseOf(curve), { t_s: [0.5, 1, 5.5, 10], low_a: [1, 2, null, 3], mean_a: [2, 3, null, 4], high_a: [3, 4, null, 5], gaps });
  assert.equal(courseOf({ ...curve, columns: curve.columns.slice(0, 3) }), null);
  assert.deepEqual([courseRole("course_usb", "battery"), courseRole("course", "main")], ["usb", "main"]);
  assert.equal(gapsText(gaps), "⚠ Gaps in the record: 1 s to 9 s after its beginning.");
  assert.match(gapsText(Array.from({ length: 10 }, (_, n) => [n * 60, n * 60 + 30])), /^⚠ Gaps in the record: 0 s to 30 s, .*7 min 30 s, and 2 more after/);
});

test("figures of an axis can be told apart, in one prefix", () => {
  assert.deepEqual(axisTexts([0.46, 0.4601, 0.4602], "A"), ["460.0", "460.1", "460.2"].map((one) => `${one}${GAP}mA`));
  assert.deepEqual(axisTexts([0, 0.05, 0.1], "A"), ["0", "50", "100"].map((one) => `${one}${GAP}mA`));
  assert.deepEqual(axisTexts([0, 0.0025, 0.005], "A"), ["0.0", "2.5", "5.0"].map((one) => `${one}${GAP}mA`));
  assert.deepEqual(axisTexts([1, 2, 1000], ""), ["1", "2", "1000"]);
  assert.deepEqual(axisTexts([0], "A"), [`0${GAP}A`]);
});

test("what a run says is for people: remarks, off that was not confirmed, short times, steps of cards", () => {
  assert.deepEqual([probes({ points: 0 }), probes({ resistance_ohm: null }), probes({ wakes: 3 })], [true, true, false]);
  assert.deepEqual(["NOT CONFIRMED OFF: side main: …", "stopped on the page"].map((text) => notOff({ text })), [true, false]);
  assert.deepEqual([valueText(0.00061, "s"), valueText(0, "s"), valueText(2520.3, "1/h")], [`610${GAP}µs`, "0.00 s", `2520${GAP}1/h`]);
  assert.equal(resultText({ value: 1.6301, unit: "", u: 0.0276, low: null, high: null }), "1.630 ± 0.028");
  assert.deepEqual(placed(["step[5].voltage_v: 5 V would be set; allowed is up to 4 V"], []), { "": "5 V would be set; allowed is up to 4 V" });
  assert.deepEqual(toldRows({ wakes: 1, mean_a: 0.005, u_a: 0.0001, seconds: 200 }).map(({ title, text }) => `${title}: ${text}`),
    [`Mean current: 5.00${GAP}mA ± 0.10${GAP}mA`, "Wake-ups: 1", "Watched: 3 min 20 s"]);
  /** @param {string} unit @returns {any} */
  const over = (unit) => ({ columns: [{ unit }] });
  assert.deepEqual(["V", "s", ""].map((unit) => comparable(over(unit))), [true, false, false]);
});

test("of all that happens in a run only its begin and end change lists", () => {
  assert.deepEqual(["began", "moment", "ended"].map((what) => beganOrEnded("procedure", { what })), [true, false, true]);
  assert.deepEqual([beganOrEnded("journal", { what: "ended" }), beganOrEnded("procedure", null)], [false, false]);
});

test("the journal says what a run came to, and what leads have", () => {
  const payload = { run: "r", card: "leak-curve", title: "Leak curve", outcome: "done", text: "ohmic.", compared: "less than before.", by: "page", results: [] };
  assert.equal(sentence({ kind: "procedure", payload, supply: "lab", channel: 1 }), "Leak curve (lab · 1): measured. Ohmic. Less than before., on the page");
  assert.equal(sentence({ kind: "lead", payload: { ohm: 0.084, u_ohm: 0.002, name: "red" }, supply: "lab", channel: 1 }), `Leads (red) (lab · 1): 84.0${GAP}mΩ ± 2.0${GAP}mΩ`);
});

test("of leads the sets are offered that were measured for this output, wired as it is, and are not in use", () => {
  /** @param {string} name @param {Record<string, unknown>} [more] @returns {any} */
  const set = (name, more = {}) => ({ supply: "psu-a", channel: 1, name, sense: "two-wire", ...more });
  const kept = [set("long"), set(""), set("long"), set("thin", { sense: "remote" }), set("theirs", { channel: 2 })];
  assert.deepEqual(otherSets("psu-a", 1, set(""), kept), ["long"]);
  assert.deepEqual(otherSets("psu-a", 1, set("long"), kept), [""]);
  assert.deepEqual(otherSets("psu-a", 1, null, kept), []);
});
