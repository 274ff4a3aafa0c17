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

/** Ends of all error bars and of all lines, with a little air. @param {Row[]} rows @param {number[]} u of the first row's points @returns {[number, number]} */
export function reach(rows, u) {
  const ends = rows.flatMap((row, n) => row.flatMap((value, at) => (typeof value !== "number" ? [] : n === 0 && u[at] ? [value - u[at], value + u[at]] : [value])));
  if (ends.length === 0) return [0, 1];
  const [low, high] = [ends.reduce((a, b) => Math.min(a, b)), ends.reduce((a, b) => Math.max(a, b))];
  const air = (high - low || Math.abs(high) || 1) * 0.08;
  return [low - air, high + air];
}
