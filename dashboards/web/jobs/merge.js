// Two people edit one job: what each of them changed is kept; where both changed the same, a person decides.

/** @typedef {string | string[]} Value */
/** @typedef {Record<string, Value>} Values */

/**
 * @param {Value | undefined} a
 * @param {Value | undefined} b
 */
export function same(a, b) {
  const plain = (/** @type {Value | undefined} */ value) => JSON.stringify(Array.isArray(value) ? [...value].sort() : value ?? "");
  return plain(a) === plain(b);
}

/**
 * `base`: what the form was opened with; `mine`: what is typed in it now; `there`: what the bench has now.
 * `values` is what to show in the form, `disputed` the fields that both changed, each to something else.
 * @param {Values} base
 * @param {Values} mine
 * @param {Values} there
 * @returns {{ values: Values, taken: string[], disputed: string[] }}
 */
export function merge(base, mine, there) {
  /** @type {Values} */
  const values = {};
  const taken = [];
  const disputed = [];
  for (const field of Object.keys(mine)) {
    const theirs = there[field] ?? base[field];
    const untouched = same(mine[field], base[field]);
    values[field] = untouched ? theirs : mine[field];
    if (same(theirs, base[field]) || same(theirs, mine[field])) continue;
    if (untouched) taken.push(field);
    else disputed.push(field);
  }
  return { values, taken, disputed };
}

/**
 * The fields whose value is another than before, with the new value.
 * @param {Values} base
 * @param {Values} mine
 * @returns {Values}
 */
export function changes(base, mine) {
  return Object.fromEntries(Object.entries(mine).filter(([field, value]) => !same(value, base[field])));
}
