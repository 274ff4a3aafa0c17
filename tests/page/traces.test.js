import assert from "node:assert/strict";
import { test } from "node:test";

import { atTheSameTime, compareAddress } from "../../dashboards/web/traces/companions.js";
import { quantityWords } from "../../dashboards/web/traces/measured.js";
import { byTheClock, joined, lookOf, together } from "../../dashboards/web/traces/overlay.js";
import { moved, pinched, SHORTEST_S, windowFor, within, zoomed } from "../../dashboards/web/traces/range.js";
import { nearestTo, placeOf, spliced } from "../../dashboards/web/traces/splice.js";
import { axisWords, betweenPairs, difference, digitsFor, momentWords } from "../../dashboards/web/traces/timewords.js";

/** @type {[number, number]} */
const WHOLE = [0, 100];
/** @param {number[]} found @param {number[]} wanted */
const near = (found, wanted) => found.forEach((value, n) => assert.ok(Math.abs(value - wanted[n]) < 1e-9, `${found}, not ${wanted}`));

test("a part stays within the whole and never gets too short", () => {
  near(within([-20, 10], WHOLE), [0, 30]);
  near(within([90, 130], WHOLE), [60, 100]);
  near(within([-500, 500], WHOLE), WHOLE);
  near(within([50, 50], WHOLE), [50 - SHORTEST_S / 2, 50 + SHORTEST_S / 2]);
  near(within([3, 4], [0, 0]), [0, 0]);
});

test("what the pointer is at stays where it is while zooming", () => {
  near(zoomed([20, 60], 0.5, 30, WHOLE), [25, 45]);
  near(zoomed([20, 60], 2, 30, WHOLE), [10, 90]);
  near(zoomed([0, 40], 2, 0, WHOLE), [0, 80]);
  near(zoomed([0, 100], 2, 30, WHOLE), WHOLE);
  let range = /** @type {[number, number]} */ ([...WHOLE]);
  for (let n = 0; n < 60; n++) range = zoomed(range, 0.5, 42, WHOLE);
  assert.ok(Math.abs(range[1] - range[0] - SHORTEST_S) < 1e-9);
  assert.ok(range[0] <= 42 && 42 <= range[1]);
});

test("moving stops at the ends", () => {
  near(moved([20, 30], 0.5, WHOLE), [25, 35]);
  near(moved([20, 30], -9, WHOLE), [0, 10]);
});

test("two fingers hold two moments", () => {
  near(pinched(WHOLE, [20, 40], [0.25, 0.75]) ?? [], [10, 50]);
  near(pinched(WHOLE, [40, 20], [0.75, 0.25]) ?? [], [10, 50]);
  assert.equal(pinched(WHOLE, [20, 40], [0.5, 0.5]), null);
  assert.equal(pinched(WHOLE, [20, 40], [0.75, 0.25]), null, "they have crossed");
});

test("the columns that are asked for lie on the pixels of what is shown", () => {
  const asked = windowFor([40, 50], 1000, WHOLE);
  assert.equal(asked.columns, 1500);
  near([asked.from_s, asked.to_s], [37.5, 52.5]);
  const edge = windowFor([0, 10], 1000, WHOLE);
  assert.equal(edge.columns, 1250);
  near([edge.from_s, edge.to_s], [0, 12.5]);
  assert.deepEqual(windowFor(WHOLE, 800, WHOLE), { from_s: 0, to_s: 100, columns: 800 });
  assert.ok(windowFor([1, 2], 9000, WHOLE).columns <= 8192);
});

test("a part is laid into the whole, each time once and in order", () => {
  /** @type {[number[], number[], number[]]} */
  const whole = [[0, 10, 20, 30, 40], [4, 4, 4, 4, 4], [0, 1, 2, 3, 4]];
  /** @type {[number[], number[], number[]]} */
  const part = [[10, 12, 20], [4, 3, 4], [1, 9, 2]];
  assert.deepEqual(spliced(whole, part), [[0, 10, 12, 20, 30, 40], [4, 4, 3, 4, 4, 4], [0, 1, 9, 2, 3, 4]]);
  assert.deepEqual(spliced(whole, [[12, 13], [1, 1], [5, 5]])[0], [0, 10, 12, 13, 20, 30, 40]);
  assert.deepEqual(spliced(whole, null), whole);
  assert.deepEqual(spliced(whole, [[], [], []]), whole);
  assert.deepEqual([placeOf([1, 2], 0), placeOf([1, 2], 2), placeOf([1, 2], 3)], [0, 1, 2]);
  assert.deepEqual([nearestTo([1, 2], 1.4), nearestTo([1, 2], 1.6), nearestTo([1, 2], 9), nearestTo([], 0)], [0, 1, 1, null]);
});

test("places of the axis have the digits that tell them apart", () => {
  assert.deepEqual(axisWords([0, 10]), ["0\u00a0s", "10\u00a0s"]);
  assert.deepEqual(axisWords([2.5, 5, 7.5]), ["2.5\u00a0s", "5.0\u00a0s", "7.5\u00a0s"]);
  assert.deepEqual(axisWords([3.2, 3.21]), ["3.20\u00a0s", "3.21\u00a0s"]);
  assert.deepEqual(axisWords([-0.5, 0, 0.5], true), ["−0.5\u00a0s", "0.0\u00a0s", "+0.5\u00a0s"]);
  assert.deepEqual([1, 0.5, 0.1, 0.0002, 0].map(digitsFor), [0, 1, 1, 4, 9]);
  assert.equal(momentWords(-0.0001), "0.000\u00a0s");
});

test("what lies between two cursors, and what is not known", () => {
  const at = { t_s: 1, voltage_v: 4, current_a: 0.5 };
  const found = {
    from_s: 1, to_s: 2, first: at, last: { t_s: 2, voltage_v: 3.9, current_a: 0.25 }, readings: 51, charge_c: 0.4,
    charge_u_c: 0.012, energy_j: 1.6, mean_a: 0.4, least_a: 0.2, most_a: 0.6, least_v: 3.9, most_v: 4,
  };
  assert.deepEqual(betweenPairs(found), [
    ["ΔI", "−250\u00a0mA"], ["ΔV", "−100\u00a0mV"], ["charge", "400\u00a0mC ± 12\u00a0mC"], ["energy", "1.6\u00a0J"],
    ["mean", "400\u00a0mA"], ["lowest, highest", "200\u00a0mA, 600\u00a0mA"], ["readings", "51"],
  ]);
  const none = { ...found, first: null, charge_c: null, charge_u_c: null, energy_j: null, mean_a: null, least_a: null, most_a: null, readings: 0 };
  assert.deepEqual(betweenPairs(none).map(([, value]) => value), ["–", "–", "–", "–", "–", "–", "0"]);
  assert.deepEqual([difference(0, "A"), difference(0.01, "A")], ["0\u00a0A", "+10\u00a0mA"]);
});

/** @param {Partial<import("../../dashboards/web/shared/types.js").TraceRow>} more @returns {any} */
const row = (more) => ({ id: "T1", supply: "lab", channel: 1, start_ns: 0, end_ns: 10e9, conditions: { side: "" }, ...more });

test("several traces share one axis, each with its own readings", () => {
  const [t, a, b] = joined([
    { columns: [[1, 2, 3], [4, 4, 4], [0.1, null, 0.3]], zero_s: 1 }, { columns: [[7, 7.5], [4, 4], [0.5, 0.6]], zero_s: 6 }], [2]);
  assert.deepEqual(t, [0, 1, 1.5, 2]);
  assert.deepEqual(a, [0.1, null, undefined, 0.3]);
  assert.deepEqual(b, [undefined, 0.5, 0.6, undefined]);
  assert.equal(joined([{ columns: [[1], [4], [5]], zero_s: 0 }], [1, 2]).length, 3);
  // 0.3 − 0.1 is no 0.2 in binary: two readings of one moment are one place all the same.
  assert.deepEqual(joined([{ columns: [[0.3], [1], [1]], zero_s: 0.1 }, { columns: [[0.2], [1], [2]], zero_s: 0 }], [2]), [[0.2], [1], [2]]);
});

test("the clock lays what was recorded at the same time at two outputs", () => {
  const usb = row({ id: "U1", channel: 2, start_ns: 2e9, end_ns: 12e9 });
  const late = row({ id: "U2", channel: 2, start_ns: 11e9, end_ns: 12e9 });
  assert.deepEqual(byTheClock([usb, row({})]), [-2, 0]);
  assert.ok(together([row({}), usb]));
  assert.ok(!together([row({}), late]), "not at the same time");
  assert.ok(!together([row({}), row({ id: "T2" })]), "one output");
  assert.ok(!together([row({})]));
  assert.deepEqual(atTheSameTime(row({}), [usb, late, row({}), row({ id: "T2", start_ns: 1e9 })]), [usb]);
});

test("each of eight curves has a look of its own, and a way to all of them", () => {
  const looks = [...Array(8).keys()].map((n) => lookOf(n));
  assert.equal(new Set(looks.map(({ colour }) => colour)).size, 8);
  assert.equal(new Set(looks.map(({ dash }) => String(dash))).size, 8, "a colour is never the only sign");
  assert.equal(compareAddress(["T 1", "T,2"].slice(0, 1)), "#compare/T%201");
});

test("quantities: numbers with their uncertainty, yes and no as such", () => {
  const one = { value: 0.0612, uncertainty: /** @type {number | null} */ (0.0011), unit: "A", meaning: "mean of the end", stated: true };
  assert.equal(quantityWords(one), "61.2\u00a0mA ± 1.1\u00a0mA");
  assert.equal(quantityWords({ ...one, stated: false }), "61.2\u00a0mA ± 1.1\u00a0mA *");
  assert.equal(quantityWords({ ...one, unit: "1", value: 1, meaning: "1: a person marked it" }), "yes");
  assert.equal(quantityWords({ ...one, unit: "1", value: 0, meaning: "1: a person marked it" }), "no");
  assert.equal(quantityWords({ ...one, unit: "1", value: 0.8127, meaning: "share" }), "0.813");
  assert.equal(quantityWords({ ...one, unit: "%", value: 1.5 }), "1.5\u00a0%");
});
