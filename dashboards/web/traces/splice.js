// Readings of a part laid into those of the whole: near what is looked at all is there, further away what is known.

/** @typedef {[number[], (number | null)[], (number | null)[]]} Columns time, V, A */

/**
 * Place of the first time at or after `s`.
 * @param {ArrayLike<number>} t ascending
 * @param {number} s
 */
export function placeOf(t, s) {
  let low = 0;
  let high = t.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (t[middle] < s) low = middle + 1;
    else high = middle;
  }
  return low;
}

/**
 * @param {Columns} whole
 * @param {Columns | null} part
 * @returns {Columns} ascending, each time once
 */
export function spliced(whole, part) {
  if (part === null || part[0].length === 0) return whole;
  const first = placeOf(whole[0], part[0][0]);
  let last = placeOf(whole[0], part[0][part[0].length - 1]);
  if (whole[0][last] === part[0][part[0].length - 1]) last++;
  const laid = /** @param {0 | 1 | 2} n */ (n) => [...whole[n].slice(0, first), ...part[n], ...whole[n].slice(last)];
  return /** @type {Columns} */ ([laid(0), laid(1), laid(2)]);
}

/**
 * The place nearest to a moment; null without any.
 * @param {ArrayLike<number>} t ascending
 * @param {number} s
 */
export function nearestTo(t, s) {
  if (!t.length) return null;
  const n = placeOf(t, s);
  if (n === 0) return 0;
  if (n === t.length) return n - 1;
  return s - t[n - 1] <= t[n] - s ? n - 1 : n;
}
