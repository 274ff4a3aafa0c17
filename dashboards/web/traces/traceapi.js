// What the bench is asked about traces beside the usual.

import { ask, BASE, query } from "../shared/api.js";

/** @import { Between, LinedUp, Mark, Measured, TraceRow, Window } from "../shared/types.js" */

/** @param {string} id */
const path = (id) => `/traces/${encodeURIComponent(id)}`;

export const traceApi = {
  /** @param {string} id @param {{ from_s?: number, to_s?: number, columns: number }} part @returns {Promise<Window>} */
  window: (id, part) => ask("GET", `${path(id)}/window${query(part)}`),
  /** @param {string} id @param {number} from_s @param {number} to_s @returns {Promise<Between>} */
  between: (id, from_s, to_s) => ask("GET", `${path(id)}/between${query({ from_s, to_s })}`),
  /** @param {string} id @returns {Promise<Measured>} */
  measured: (id) => ask("GET", `${path(id)}/measured`),
  /** @param {string[]} ids @returns {Promise<LinedUp[]>} */
  lineUp: async (ids) => (await ask("GET", `/line-up?${new URLSearchParams(ids.map((id) => ["trace", id]))}`)).traces,
  /** @param {string} id @returns {Promise<import("../shared/types.js").BandView>} */
  band: (id) => ask("GET", `${path(id)}/band`),
  /**
   * @param {string} id
   * @param {Mark["kind"]} kind
   * @param {number | null} at_s null: take the mark by hand away
   * @param {Mark[]} seen the marks that the page shows: others by now, and the bench refuses
   * @returns {Promise<TraceRow>}
   */
  mark: (id, kind, at_s, seen) => ask("POST", `${path(id)}/marks`, { kind, at_s, seen, by: "page" }),
  /**
   * Traces that began before a moment, newest first.
   * @param {number} until_ns
   * @param {number} limit
   * @returns {Promise<TraceRow[]>}
   */
  begunBefore: async (until_ns, limit) => (await ask("GET", `/traces${query({ until_ns, limit })}`)).traces,
  /** @param {string} id @param {string} form csv, parquet, lines, picture.png or picture.svg */
  address: (id, form) => `${BASE}${path(id)}/${form}`,
};
