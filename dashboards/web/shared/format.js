// Numbers and times as people read them. A value that is not known is a dash, never a zero.

import { nowMs } from "./clock.js";

/** @typedef {number | null | undefined} Maybe */

/** @type {(value: unknown) => value is number} */
const known = (value) => typeof value === "number" && Number.isFinite(value);
// A tiny negative reading rounds to 0.000, not to -0.000.
/** @param {number} value @param {number} digits */
const fixed = (value, digits) => value.toFixed(digits).replace(/^-(0\.?0*)$/, "$1");

/** @param {Maybe} value */
export const amps = (value) => (known(value) ? fixed(value, 3) : "–");
/** @param {Maybe} value */
export const volts = (value) => (known(value) ? fixed(value, 3) : "–");
/** @param {Maybe} value */
export const watts = (value) => (known(value) ? fixed(value, 3) : "–");

/** Between a number and its unit: no line ends there. */
const GAP = "\u00a0";

/** @type {[number, string][]} */
const PREFIXES = [[1e3, "k"], [1, ""], [1e-3, "m"], [1e-6, "µ"]];
/** @param {number} size */
const prefixOf = (size) => PREFIXES.find(([factor]) => size >= factor) ?? PREFIXES[PREFIXES.length - 1];

/**
 * With its unit, digits to fit: 62.3 mA, 1.25 A.
 * @param {Maybe} value
 * @param {string} unit
 */
export function withUnit(value, unit) {
  if (!known(value)) return "–";
  const size = Math.abs(value);
  if (size === 0) return `0${GAP}${unit}`;
  const [factor, prefix] = prefixOf(size);
  return `${Number((value / factor).toPrecision(size >= factor ? 3 : 2))}${GAP}${prefix}${unit}`;
}

/**
 * With its expanded uncertainty, which has two digits: 12.80 mJ ± 0.40 mJ; the value alone where that is not known.
 * @param {Maybe} value
 * @param {Maybe} u
 * @param {string} unit
 */
export function withUncertainty(value, u, unit) {
  if (!known(value) || !known(u) || u <= 0) return withUnit(value, unit);
  const [factor, prefix] = prefixOf(Math.max(Math.abs(value), u));
  const digits = Math.min(Math.max(1 - Math.floor(Math.log10(u / factor)), 0), 6);
  /** @param {number} number */
  const one = (number) => `${fixed(number / factor, digits)}${GAP}${prefix}${unit}`;
  return `${one(value)} ± ${one(u)}`;
}

/**
 * What a person typed into a field for a number; null: nothing, NaN: not a number. A comma is a decimal point.
 * @param {string} text
 */
export function typedNumber(text) {
  const plain = text.trim().replace(",", ".");
  if (plain === "") return null;
  return /^[+-]?(\d+\.?\d*|\.\d+)(e[+-]?\d+)?$/i.test(plain) ? Number(plain) : NaN;
}

/**
 * A length of time: 0.42 s, 12.3 s, 3 min 20 s.
 * @param {Maybe} seconds
 */
export function duration(seconds) {
  if (!known(seconds)) return "–";
  if (seconds < 10) return `${seconds.toFixed(2)} s`;
  if (seconds < 100) return `${seconds.toFixed(1)} s`;
  return `${Math.floor(seconds / 60)} min ${Math.round(seconds % 60)} s`;
}

/**
 * How long ago, roughly.
 * @param {Maybe} seconds
 */
export function age(seconds) {
  if (!known(seconds)) return "?";
  if (seconds < 100) return `${Math.floor(seconds)} s`;
  if (seconds < 6000) return `${Math.floor(seconds / 60)} min`;
  if (seconds < 360000) return `${Math.floor(seconds / 3600)} h`;
  return `${Math.floor(seconds / 86400)} days`;
}

/**
 * Clock time of ns since the epoch; with the date and without seconds when it is not today, by the bench's clock.
 * @param {number} tNs
 */
export function clock(tNs) {
  const when = new Date(tNs / 1e6);
  const today = when.toDateString() === new Date(nowMs()).toDateString();
  const time = when.toLocaleTimeString([], { hour: "2-digit", minute: "2-digit", second: today ? "2-digit" : undefined, hourCycle: "h23" });
  return today ? time : `${when.toLocaleDateString([], { day: "numeric", month: "short" })} ${time}`;
}

/** @param {Maybe} share */
export const percent = (share) => (known(share) ? `${Math.round(share * 100)} %` : "–");

/**
 * A sentence of the bench, with a capital in front.
 * @param {string | null | undefined} text
 */
export const begin = (text) => (text ? text.charAt(0).toUpperCase() + text.slice(1) : "");
