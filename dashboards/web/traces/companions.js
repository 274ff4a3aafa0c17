// Which traces stand beside one: taken at the same time at another output, and those of its job before and after it.

import { el } from "../shared/dom.js";
import { clock } from "../shared/format.js";
import { signature } from "../shared/words.js";
import { api } from "../shared/api.js";
import { traceApi } from "./traceapi.js";

/** @import { TraceRow } from "../shared/types.js" */

const LOOKED_THROUGH = 200;
/** So many of a job are laid over each other at most: more cannot be told apart. */
export const MOST = 8;

/**
 * Of these, the ones that were recorded at the same time at another output.
 * @param {TraceRow} row
 * @param {TraceRow[]} others
 */
export const atTheSameTime = (row, others) => others.filter((one) =>
  (one.supply !== row.supply || one.channel !== row.channel) && one.start_ns < row.end_ns && row.start_ns < one.end_ns);

/** @param {string[]} ids */
export const compareAddress = (ids) => `#compare/${encodeURIComponent(ids.join(","))}`;

/** @param {TraceRow} one */
const side = (one) => (one.conditions.side === "usb" ? "USB side" : one.conditions.side === "battery" ? "battery side" : `${one.supply} · ${one.channel}`);

/** @param {TraceRow} one */
export const traceWords = (one) => `${clock(one.start_ns)}: ${one.finding ? signature(one.finding.signature) : "not read yet"}`;

/**
 * Links to what can be laid beside it; nothing where there is nothing.
 * @param {TraceRow} row
 */
export async function companions(row) {
  const [near, ofJob] = await Promise.all([
    traceApi.begunBefore(row.end_ns, LOOKED_THROUGH), row.job === null ? [] : api.traces(row.job, LOOKED_THROUGH)]);
  const same = atTheSameTime(row, near).slice(0, MOST - 1);
  const before = ofJob.find((one) => one.start_ns < row.start_ns && !same.some(({ id }) => id === one.id));
  const after = [...ofJob].reverse().find((one) => one.start_ns > row.start_ns && !same.some(({ id }) => id === one.id));
  const newest = ofJob.filter((one) => one.id !== row.id).slice(0, MOST - 1).map(({ id }) => id);
  /** @type {[string, string[]][]} */
  const links = [
    ...same.map((one) => /** @type {[string, string[]]} */ ([`Beside the ${side(one)} of the same time`, [row.id, one.id]])),
    ...(before ? [/** @type {[string, string[]]} */ (["Over the one before", [before.id, row.id]])] : []),
    ...(after ? [/** @type {[string, string[]]} */ (["Over the one after", [row.id, after.id]])] : []),
    ...(newest.length > 1 ? [/** @type {[string, string[]]} */ (["Over others of its job", [row.id, ...newest]])] : []),
  ];
  return links.map(([text, ids]) => el("a", { class: "like-button", href: compareAddress(ids), testid: "compare-link" }, text));
}
