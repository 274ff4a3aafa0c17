// How a filed trace stands to the good ones of its board.

import { percent } from "../shared/format.js";

/** @import { Finding } from "../shared/types.js" */

/**
 * Sentences for the finding; none where there are no references.
 * @param {Finding} found
 */
export function standing(found) {
  const { similarity, divergence } = found;
  const alike = typeof similarity === "number" ? [`${percent(similarity)} alike to the references of its board.`] : [];
  if (divergence) return [...alike, divergence.text];
  return alike.length ? [...alike, "It stays within what they draw."] : [];
}

/**
 * The moment at which it leaves them, as a mark of the plot; [] where it does not.
 * @param {Finding | null} found
 */
export function leaving(found) {
  const { divergence, button_s } = found ?? {};
  return divergence && typeof button_s === "number" ? [{ s: button_s + divergence.at_s, text: "leaves the good one" }] : [];
}
