// The newest readings of one channel, for its live plot.

const KEEP_S = 125;
/** A pause longer than this is drawn as a gap, not as a straight line. */
const GAP_S = 1.5;

export class Feed {
  constructor() {
    this.clear();
  }

  clear() {
    this.t = [];
    this.v = [];
    this.i = [];
  }

  /** Newest time, s since the epoch; null without readings. */
  get end() {
    return this.t.length ? this.t[this.t.length - 1] : null;
  }

  /** A `samples` message. Readings that are here already are left out. */
  add(message) {
    const base = message.t0_ns / 1e9;
    for (let n = 0; n < message.t_ms.length; n++) this.push(base + message.t_ms[n] / 1000, message.v[n], message.i[n]);
    this.trim();
  }

  /** Older readings, asked for when the page opened, in front of what came live since. */
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
    const drop = this.from(this.end - KEEP_S);
    if (drop < 500) return;
    for (const column of [this.t, this.v, this.i]) column.splice(0, drop);
  }

  /** Place of the first reading at or after this time. */
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

  /** [t, v, i] of the last seconds, with one reading before the edge so that the line reaches it. */
  last(seconds) {
    const start = Math.max(this.from(this.end - seconds) - 1, 0);
    return [this.t.slice(start), this.v.slice(start), this.i.slice(start)];
  }
}
