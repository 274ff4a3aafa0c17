// Which part of a trace is shown: zooming and moving, as plain numbers. Times are in s after the trace's start.

/** @typedef {[number, number]} Range first and last moment that is shown */

/** Never less than this is shown, s: some readings of the fastest supply. */
export const SHORTEST_S = 0.0005;
/** More columns than this are asked for on no screen; the bench refuses above 8192. */
const MOST_COLUMNS = 4000;
/** Beside what is shown, so much of its width is asked for on either side: a small move needs no waiting. */
const MARGIN = 0.25;

/**
 * A part of this length at least and no larger than the whole, moved into it.
 * @param {Range} wanted
 * @param {Range} whole
 * @returns {Range}
 */
export function within([a, b], whole) {
  const all = whole[1] - whole[0];
  const length = Math.min(Math.max(b - a, Math.min(SHORTEST_S, all)), all);
  const middle = (a + b) / 2;
  const start = Math.min(Math.max(middle - length / 2, whole[0]), whole[1] - length);
  return [start, start + length];
}

/**
 * `factor` times as long (below 1: closer), and `at` stays where it is on the screen.
 * @param {Range} range
 * @param {number} factor
 * @param {number} at
 * @param {Range} whole
 */
export function zoomed([a, b], factor, at, whole) {
  const length = Math.min(Math.max((b - a) * factor, SHORTEST_S), whole[1] - whole[0]);
  const share = b > a ? (at - a) / (b - a) : 0.5;
  return within([at - length * share, at + length * (1 - share)], whole);
}

/**
 * Moved by a share of what is shown.
 * @param {Range} range
 * @param {number} share
 * @param {Range} whole
 */
export function moved([a, b], share, whole) {
  const by = (b - a) * share;
  return within([a + by, b + by], whole);
}

/**
 * Zoomed and moved so that two moments come to lie at two places: what two fingers do.
 * @param {Range} whole
 * @param {[number, number]} moments
 * @param {[number, number]} shares of the width, 0 to 1
 * @returns {Range | null} null: the fingers are too close together to tell
 */
export function pinched(whole, moments, shares) {
  const apart = shares[1] - shares[0];
  if (Math.abs(apart) < 0.02 || (moments[1] - moments[0]) / apart <= 0) return null;
  const length = (moments[1] - moments[0]) / apart;
  const start = moments[0] - shares[0] * length;
  return within([start, start + length], whole);
}

/**
 * What to ask the bench for, so that each of its columns is a column of pixels: the shown part with a margin of whole
 * columns on either side.
 * @param {Range} range
 * @param {number} width of the plot in the screen's own pixels
 * @param {Range} whole
 * @returns {{ from_s: number, to_s: number, columns: number }}
 */
export function windowFor([a, b], width, whole) {
  const columns = Math.max(1, Math.min(Math.round(width), MOST_COLUMNS));
  const one = (b - a) / columns;
  const most = Math.floor(columns * MARGIN);
  const before = Math.min(most, Math.max(0, Math.ceil((a - whole[0]) / one)));
  const behind = Math.min(most, Math.max(0, Math.ceil((whole[1] - b) / one)));
  return { from_s: a - before * one, to_s: b + behind * one, columns: columns + before + behind };
}

/**
 * Where a moment is on the screen, 0 to 1; outside: below 0 or above 1.
 * @param {number} s
 * @param {Range} range
 */
export const shareOf = (s, [a, b]) => (s - a) / (b - a);

/**
 * The moment at a place.
 * @param {number} share
 * @param {Range} range
 */
export const momentAt = (share, [a, b]) => a + share * (b - a);
