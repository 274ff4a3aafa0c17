// Times and differences of a plot in words: digits to what can be told apart.

import { withUncertainty, withUnit } from "../shared/format.js";

/** @import { At, Between } from "../shared/types.js" */

/**
 * Digits behind the point that tell two places apart that are `step` s away from each other.
 * @param {number} step
 */
export const digitsFor = (step) => (step > 0 ? Math.min(Math.max(Math.ceil(-Math.log10(step) - 1e-9), 0), 9) : 9);

/**
 * Names of places on the time axis.
 * @param {number[]} places
 * @param {boolean} [signed] with a + where they count from a button
 */
export function axisWords(places, signed = false) {
  const step = places.length > 1 ? places[1] - places[0] : 1;
  // 2.5 wants one digit more than what tells 2 from 5.
  let digits = digitsFor(step);
  while (digits < 9 && Math.abs(step * 10 ** digits - Math.round(step * 10 ** digits)) > 1e-6) digits++;
  return places.map((s) => momentWords(s, digits, signed));
}

/**
 * A moment: 3.214 s.
 * @param {number} s
 * @param {number} [digits]
 * @param {boolean} [signed]
 */
export function momentWords(s, digits = 3, signed = false) {
  const text = Math.abs(s).toFixed(digits);
  const zero = Number(text) === 0;
  return `${zero ? "" : s < 0 ? "−" : signed ? "+" : ""}${text}\u00a0s`;
}

/**
 * A difference with its sign and unit: +12.3 mA.
 * @param {number | null} value
 * @param {string} unit
 */
export function difference(value, unit) {
  if (value === null || !Number.isFinite(value)) return "–";
  return value < 0 ? `−${withUnit(-value, unit)}` : `${value > 0 ? "+" : ""}${withUnit(value, unit)}`;
}

/**
 * A length of time in the unit that fits, with its digits: 1.5 ms.
 * @param {number} s
 */
export const lengthWords = (s) => withUnit(Number(s.toPrecision(5)), "s");

/**
 * How often something comes that takes so long: 660 Hz.
 * @param {number} s
 */
export const rateWords = (s) => (s > 0 ? withUnit(1 / s, "Hz") : "–");

/**
 * What lies between the two cursors, as pairs of name and value; what is not known is a dash.
 * @param {Between} found
 * @returns {[string, string][]}
 */
export function betweenPairs(found) {
  const { first, last } = found;
  const both = first !== null && last !== null;
  return [
    ["ΔI", both ? difference(last.current_a - first.current_a, "A") : "–"],
    ["ΔV", both ? difference(last.voltage_v - first.voltage_v, "V") : "–"],
    ["charge", withUncertainty(found.charge_c, found.charge_u_c, "C")],
    ["energy", withUnit(found.energy_j, "J")],
    ["mean", withUnit(found.mean_a, "A")],
    ["lowest, highest", found.least_a === null ? "–" : `${withUnit(found.least_a, "A")}, ${withUnit(found.most_a, "A")}`],
    ["readings", String(found.readings)],
  ];
}


/**
 * A reading in words; the nearest one to a cursor.
 * @param {At | null} at
 */
export const atWords = (at) => (at === null ? "no reading" : `${withUnit(at.current_a, "A")}, ${withUnit(at.voltage_v, "V")}`);
