// Curves of runs as columns that uPlot draws. Pure.

/** @import { Curve } from "../shared/types.js" */
/** @typedef {(number | null | undefined)[]} Row */
/** @typedef {{ x: number[], y: number[], u: number[], fitted: Row }} Line in the order of x */

/** A column over the first, in the order of the first; what was not measured is left out. @param {Curve} curve @param {number} [n] which column @returns {Line} */
export function lineOf(curve, n = 1) {
  const [x, y] = [curve.columns[0], curve.columns[n]];
  const fitted = n === 1 && curve.fitted.length === x.values.length ? curve.fitted : [];
  const points = x.values.flatMap((at, row) => {
    const value = y.values[row];
    return typeof at === "number" && typeof value === "number" ? [{ at, value, u: y.u[row] ?? 0, fit: fitted[row] }] : [];
  }).sort((a, b) => a.at - b.at);
  return { x: points.map(({ at }) => at), y: points.map(({ value }) => value), u: points.map(({ u }) => u), fitted: fitted.length ? points.map(({ fit }) => fit) : [] };
}

/**
 * Lines over one abscissa: where a line has no point is nothing, and it is drawn on.
 * @param {{ x: number[], y: Row }[]} lines
 * @returns {[number[], ...Row[]]}
 */
export function together(lines) {
  const x = [...new Set(lines.flatMap((line) => line.x))].sort((a, b) => a - b);
  const rows = lines.map((line) => {
    const at = new Map(line.x.map((value, n) => [value, line.y[n]]));
    return x.map((value) => at.get(value));
  });
  return [x, ...rows];
}

/** @typedef {{ t_s: number[], low_a: Row, mean_a: Row, high_a: Row, gaps: [number, number][] }} Course least, mean and largest current over time; null: nothing was read */

/** A curve that is a course, broken at its gaps; null: it is none. @param {Curve} curve @returns {Course | null} */
export function courseOf({ columns, gaps }) {
  if (columns.map(({ name }) => name).join() !== "t_s,mean_a,low_a,high_a") return null;
  /** @type {[number | null, ...Row][]} */
  const rows = columns[0].values.map((at, n) => [at, columns[2].values[n], columns[1].values[n], columns[3].values[n]]);
  const breaks = gaps.map(([from, to]) => /** @type {[number, null, null, null]} */ ([(from + to) / 2, null, null, null]));
  const all = [...rows, ...breaks].flatMap(([at, ...rest]) => (typeof at === "number" ? [{ at, rest }] : [])).sort((a, b) => a.at - b.at);
  const [low_a, mean_a, high_a] = [0, 1, 2].map((n) => all.map(({ rest }) => rest[n]));
  return { t_s: all.map(({ at }) => at), low_a, mean_a, high_a, gaps };
}

/** Whether the curves of two boards may be laid over each other: not over a time or a count. @param {Curve} curve */
export const comparable = ({ columns }) => !["", "s"].includes(columns[0].unit);

/** The output that a course is of. @param {string} name of the curve @param {string} first role of the first side */
export const courseRole = (name, first) => (name.startsWith("course_") ? name.slice("course_".length) : first);

/** Ends of all error bars and of all lines, with a little air. @param {Row[]} rows @param {number[]} u of the first row's points @returns {[number, number]} */
export function reach(rows, u) {
  const ends = rows.flatMap((row, n) => row.flatMap((value, at) => (typeof value !== "number" ? [] : n === 0 && u[at] ? [value - u[at], value + u[at]] : [value])));
  if (ends.length === 0) return [0, 1];
  const [low, high] = [ends.reduce((a, b) => Math.min(a, b)), ends.reduce((a, b) => Math.max(a, b))];
  const air = (high - low || Math.abs(high) || 1) * 0.08;
  return [low - air, high + air];
}

/** @type {[number, string][]} */
const PREFIXES = [[1e6, "M"], [1e3, "k"], [1, ""], [1e-3, "m"], [1e-6, "µ"], [1e-9, "n"]];
/** Figures of an axis, in one prefix and with the digits that tell them apart. @param {number[]} list evenly apart @param {string} unit empty: no prefix */
export function axisTexts(list, unit) {
  const most = list.reduce((a, n) => Math.max(a, Math.abs(n)), 0);
  const [factor, prefix] = (unit ? PREFIXES.find(([one]) => most >= one * 0.9999) : undefined) ?? [1, ""];
  const step = list.length > 1 ? Math.abs(list[1] - list[0]) / factor : most / factor;
  const digits = step > 0 ? Math.min(Math.max(0, -Math.floor(Math.log10(step) + 1e-9)), 6) : 0;
  const fine = step > 0 && Math.abs(step * 10 ** digits - Math.round(step * 10 ** digits)) > 1e-6 ? digits + 1 : digits;
  return list.map((n) => `${(n / factor).toFixed(fine)}${unit ? `\u00a0${prefix}${unit}` : ""}`);
}
