// A power-up the size of a thumb: current over time, as the points of a line. Pure: no elements here.

/** Size of a small picture in its own units; CSS stretches it. */
export const WIDTH = 240;
export const HEIGHT = 72;
const EDGE = 3;
/** A picture of nothing but noise would be full of it: at least this much current fills the height, A. */
const LEAST_A = 0.02;

/**
 * The highest current of some readings, A; gaps (null) are passed over.
 * @param {(number | null)[]} currents
 */
export function highest(currents) {
  return currents.reduce((/** @type {number} */ top, one) => (one !== null && one > top ? one : top), 0);
}

/**
 * Points of the line for `<polyline points>`, one string for each stretch without a gap. `topA`: the current at the upper edge,
 * so that two pictures side by side can have one scale.
 * @param {number[]} times s, ascending
 * @param {(number | null)[]} currents A
 * @param {number} topA
 * @returns {string[]}
 */
export function lines(times, currents, topA) {
  if (times.length === 0) return [];
  const first = times[0];
  const length = times[times.length - 1] - first || 1;
  const top = Math.max(topA, LEAST_A);
  /** @type {string[][]} */
  const stretches = [[]];
  times.forEach((t, n) => {
    const current = currents[n];
    if (current === null || !Number.isFinite(current)) {
      stretches.push([]);
      return;
    }
    const x = ((t - first) / length) * WIDTH;
    const y = HEIGHT - EDGE - (Math.min(Math.max(current / top, 0), 1) * (HEIGHT - 2 * EDGE));
    stretches[stretches.length - 1].push(`${x.toFixed(1)},${y.toFixed(1)}`);
  });
  return stretches.filter((one) => one.length > 0).map((one) => one.join(" "));
}
