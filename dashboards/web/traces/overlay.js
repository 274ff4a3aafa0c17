// Several power-ups on one axis of time, as plain columns: each with its own readings, joined for the plot.

/** @import { TraceRow } from "../shared/types.js" */
/** @import { Columns } from "./splice.js" */

/** @typedef {(number | null | undefined)[]} Joined a column of the plot; undefined: not measured at that time */

/** Looks of the curves: colour and broken line, so that no two are told by the colour alone. */
const LOOKS = [
  { colour: "--trace-1", dash: [] }, { colour: "--trace-2", dash: [10, 5] }, { colour: "--trace-3", dash: [3, 4] },
  { colour: "--trace-4", dash: [14, 4, 3, 4] }, { colour: "--trace-5", dash: [6, 3] }, { colour: "--trace-6", dash: [18, 6] },
  { colour: "--trace-7", dash: [2, 6] }, { colour: "--trace-8", dash: [10, 3, 2, 3, 2, 3] },
];
/** @param {number} n */
export const lookOf = (n) => LOOKS[n % LOOKS.length];

/**
 * Columns on one axis: all times that any of them has, ascending and once; of each the values at its own times.
 * @param {{ columns: Columns, zero_s: number }[]} traces
 * @param {(1 | 2)[]} which of V and A
 * @returns {[number[], ...Joined[]]}
 */
export function joined(traces, which) {
  const times = [...new Set(traces.flatMap(({ columns, zero_s }) => columns[0].map((s) => onAxis(s, zero_s))))].sort((a, b) => a - b);
  const place = new Map(times.map((s, n) => [s, n]));
  /** @type {Joined[]} */
  const found = [];
  for (const { columns, zero_s } of traces) {
    for (const n of which) {
      /** @type {Joined} */
      const column = new Array(times.length).fill(undefined);
      columns[0].forEach((s, k) => { column[place.get(onAxis(s, zero_s)) ?? 0] = columns[n][k]; });
      found.push(column);
    }
  }
  return [times, ...found];
}

/** A moment on the plot's axis, to the ns: two readings of one moment are one place. @param {number} s @param {number} zero_s */
const onAxis = (s, zero_s) => Math.round((s - zero_s) * 1e9) / 1e9;

/**
 * What of each trace stands at 0 s by the clock: the start of the first of them.
 * @param {TraceRow[]} rows
 */
export function byTheClock(rows) {
  // Numbers of ns since the epoch do not fit a double to the ns: what is lost is below 1 µs.
  const first = Math.min(...rows.map((row) => row.start_ns));
  return rows.map((row) => (first - row.start_ns) / 1e9);
}

/**
 * Whether they were recorded at the same time at different outputs: then the clock lays them over each other.
 * @param {TraceRow[]} rows
 */
export const together = (rows) => rows.length > 1 && new Set(rows.map((row) => `${row.supply} ${row.channel}`)).size === rows.length
  && rows.every((row) => row.start_ns < rows[0].end_ns && rows[0].start_ns < row.end_ns);
