// One line for a while over the cut-off bar: what a key, a pedal or a scan has done. Every view shows it.

import { byId, setText } from "./dom.js";

const SAID_MS = 6000;
/** @type {ReturnType<typeof setTimeout> | undefined} */
let clearing;

/**
 * Say it; what was said before goes.
 * @param {string} words
 */
export function say(words) {
  const place = byId("foot-said");
  setText(place, words);
  clearTimeout(clearing);
  clearing = setTimeout(() => setText(place, ""), SAID_MS);
}
