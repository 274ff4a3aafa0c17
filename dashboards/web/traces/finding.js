// What a filed trace says: the finding, its evidence and what else it could be; and its plain figures.

import { el } from "../shared/dom.js";
import { duration, percent, withUnit } from "../shared/format.js";
import { signature } from "../shared/words.js";
import { standing } from "./standing.js";

/** @import { Finding, TraceRow } from "../shared/types.js" */

/** @param {string} title @param {string[]} items @param {string} kind */
const part = (title, items, kind) =>
  items.length ? [el("h3", {}, title), el("ul", { class: kind }, ...items.map((item) => el("li", {}, item)))] : [];

/** @param {Finding} found */
export function findingPart(found) {
  return el("section", { class: "finding", testid: "finding", "data-signature": found.signature, "aria-label": "Finding" },
    el("p", { class: "verdict" }, el("b", {}, signature(found.signature)), ` ${percent(found.confidence)} sure`),
    ...part("Why", found.evidence.map((one) => one.text), "evidence"),
    ...part("Against good boards", standing(found), "standing"),
    ...part("What else it could be", found.alternatives.map((one) =>
      `${signature(one.signature)} (${percent(one.confidence)})${one.tell_apart ? `. To tell apart: ${one.tell_apart}` : ""}`), "others"),
    ...part("Check next", found.next_checks, "checks"),
    ...part("Mind", found.cautions, "cautions"));
}

/**
 * Names and values as a list.
 * @param {[string, string][]} pairs those without a value are left out
 * @param {string} [testid]
 */
export const figureList = (pairs, testid) =>
  el("dl", { class: "figures", testid }, ...pairs.filter(([, value]) => value).flatMap(([name, value]) => [el("dt", {}, name), el("dd", {}, value)]));

/** @type {Record<string, string>} */
const SIDES = { usb: "USB", battery: "battery" };

/** @param {TraceRow} row */
export function figures(row) {
  const set = row.conditions;
  const asSet = [set.set_voltage_v === null ? "" : withUnit(set.set_voltage_v, "V"), set.limit_a === null ? "" : `limit ${withUnit(set.limit_a, "A")}`];
  return figureList([
    ["peak", withUnit(row.peak_a, "A")],
    ["charge", withUnit(row.charge_c, "C")],
    ["energy", withUnit(row.energy_j, "J")],
    ["length", duration((row.end_ns - row.start_ns) / 1e9)],
    ["set", asSet.filter(Boolean).join(", ")],
    ["readings", String(row.readings)],
    ["board", set.board],
    ["fed at", SIDES[set.side] ?? set.side],
  ]);
}
