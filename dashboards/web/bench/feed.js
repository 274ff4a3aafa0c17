// The newest readings of one channel, for its live plot.

/** @import { Columns } from "../shared/types.js" */
/**
 * Readings as they come live: offsets in ms from `t0_ns`, V, A; the newest mode.
 * @typedef {{ type: "samples", supply: string, channel: number, t0_ns: number, t_ms: number[], v: (number | null)[],
 *   i: (number | null)[], mode?: string }} SamplesMessage
 */
/** @typedef {(number | null)[]} Column */

const KEEP_S = 125;
/** A pause longer than this is drawn as a gap, not as a straight line. */
const GAP_S = 1.5;

export class Feed {
  constructor() {
    /** @type {number[]} s since the epoch, ascending */
    this.t = [];
    /** @type {Column} */
    this.v = [];
    /** @type {Column} */
    this.i = [];
  }

  clear() {
    [this.t, this.v, this.i] = [[], [], []];
  }

  /** Newest time, s since the epoch; null without readings. */
  get end() {
    return this.t.length ? this.t[this.t.length - 1] : null;
  }

  /**
   * Readings that are here already are left out.
   * @param {SamplesMessage} message
   */
  add(message) {
    const base = message.t0_ns / 1e9;
    for (let n = 0; n < message.t_ms.length; n++) this.push(base + message.t_ms[n] / 1000, message.v[n], message.i[n]);
    this.trim();
  }

  /**
   * Older readings, asked for when the page opened, in front of what came live since.
   * @param {Columns} columns
   */
  prepend(columns) {
    const live = { t: this.t, v: this.v, i: this.i };
    this.clear();
    const first = live.t[0] ?? Infinity;
    const base = columns.t0_ns / 1e9;
    for (let n = 0; n < columns.t_s.length && base + columns.t_s[n] < first; n++) {
      this.push(base + columns.t_s[n], columns.v[n], columns.i[n]);
    }
    for (let n = 0; n < live.t.length; n++) this.push(live.t[n], live.v[n], live.i[n]);
    this.trim();
  }

  /** @param {number} t @param {number | null} v @param {number | null} i */
  push(t, v, i) {
    const last = this.end;
    if (last !== null && t <= last) return;
    if (last !== null && t - last > GAP_S && v !== null) {
      this.t.push((last + t) / 2);
      this.v.push(null);
      this.i.push(null);
    }
    this.t.push(t);
    this.v.push(v);
    this.i.push(i);
  }

  trim() {
    const drop = this.from((this.end ?? 0) - KEEP_S);
    if (drop < 500) return;
    for (const column of [this.t, this.v, this.i]) column.splice(0, drop);
  }

  /**
   * Place of the first reading at or after this time.
   * @param {number} time
   */
  from(time) {
    let low = 0;
    let high = this.t.length;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (this.t[middle] < time) low = middle + 1;
      else high = middle;
    }
    return low;
  }

  /**
   * [t, v, i] of the last seconds, with one reading before the edge so that the line reaches it; no more of them than
   * a plot of so many pixels shows.
   * @param {number} seconds
   * @param {number} pixels
   * @returns {[number[], Column, Column]}
   */
  last(seconds, pixels) {
    const start = Math.max(this.from((this.end ?? 0) - seconds) - 1, 0);
    const count = this.t.length - start;
    if (count <= 4 * pixels) return [this.t.slice(start), this.v.slice(start), this.i.slice(start)];
    return this.thinned(start, seconds / pixels);
  }

  /**
   * Of each column of pixels the first and the last reading, and those with the smallest and largest current: no spike
   * is lost. Columns begin at whole multiples of their width: what is drawn does not change while it moves along.
   * @param {number} start
   * @param {number} width of a column, s
   * @returns {[number[], Column, Column]}
   */
  thinned(start, width) {
    /** @type {[number[], Column, Column]} */
    const kept = [[], [], []];
    for (let n = start; n < this.t.length;) {
      const column = Math.floor(this.t[n] / width);
      let [low, high, end] = [n, n, n];
      for (; end < this.t.length && Math.floor(this.t[end] / width) === column; end++) {
        const i = this.i[end];
        if (i === null) continue;
        if (i < (this.i[low] ?? Infinity)) low = end;
        if (i > (this.i[high] ?? -Infinity)) high = end;
      }
      this.keep(kept, [n, low, high, end - 1]);
      n = end;
    }
    return kept;
  }

  /**
   * @param {[number[], Column, Column]} kept
   * @param {number[]} places
   */
  keep(kept, places) {
    let before = -1;
    for (const place of places.sort((one, other) => one - other)) {
      if (place === before) continue;
      before = place;
      kept[0].push(this.t[place]);
      kept[1].push(this.v[place]);
      kept[2].push(this.i[place]);
    }
  }
}
