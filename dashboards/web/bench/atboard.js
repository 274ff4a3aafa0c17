// What of the voltage reaches the board.

import { volts, withUnit } from "../shared/format.js";

/** Less than this, taken by the leads, is no figure to look at, V. */
const LEAST_DROP_V = 0.005;

/**
 * In words, where it is another figure than the supply's (Ohm's law).
 * @param {number | null} v @param {number | null} i @param {number | null} ohm of the leads
 */
export function boardVolts(v, i, ohm) {
  if (v === null || i === null || ohm === null || Math.abs(i * ohm) < LEAST_DROP_V) return "";
  return `at the board ${volts(v - i * ohm)} V: the leads take ${withUnit(i * ohm, "V")}`;
}
