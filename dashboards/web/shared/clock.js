// The bench's clock. A tablet's own clock may be hours off, so nothing on the page is decided or dated by it.

/** So many of the newest messages are looked at: the one that came with the least delay tells best. */
const KEPT = 20;

export class BenchClock {
  constructor() {
    /** @type {number[]} What the bench's clock was ahead of the page's stopwatch, ms, as each message had it. */
    this.ahead = [];
  }

  /**
   * A message of the bench.
   * @param {number} tNs when it was made, ns since the epoch, by the bench
   * @param {number} atMs when it came, by the page's stopwatch
   */
  heard(tNs, atMs) {
    this.ahead.push(tNs / 1e6 - atMs);
    // After a step of the bench's clock what was heard before holds no more.
    if (Math.abs(this.ahead[0] - this.ahead[this.ahead.length - 1]) > 2000) this.ahead = this.ahead.slice(-1);
    if (this.ahead.length > KEPT) this.ahead.shift();
  }

  /**
   * ms since the epoch by the bench's clock; null: it was not heard yet.
   * @param {number} atMs by the page's stopwatch
   */
  now(atMs) {
    return this.ahead.length ? atMs + Math.max(...this.ahead) : null;
  }
}

/** The one of this page. */
export const benchClock = new BenchClock();

/** ms since the epoch: the bench's, or this device's as long as the bench was not heard. */
export const nowMs = () => benchClock.now(performance.now()) ?? Date.now();

/** ns since the epoch by the bench's clock; undefined: it was not heard yet. */
export function nowNs() {
  const now = benchClock.now(performance.now());
  return now === null ? undefined : Math.round(now * 1e6);
}

/** By how much this device's clock is ahead of the bench's, s; null: not known. */
export function deviceAhead() {
  const now = benchClock.now(performance.now());
  return now === null ? null : (Date.now() - now) / 1000;
}
