// Everything that is measured on a trace: its phases and the quantities that findings are made of, as tables.

import { messageOf } from "../shared/api.js";
import { el } from "../shared/dom.js";
import { withUncertainty, withUnit } from "../shared/format.js";
import { phaseWords } from "./shades.js";
import { momentWords } from "./timewords.js";
import { traceApi } from "./traceapi.js";

/** @import { Measured, PhaseRow, QuantityRow } from "../shared/types.js" */

/**
 * A fold that fills itself.
 * @param {string} id of the trace
 * @param {(found: Measured) => void} onFound also tells who else wants it
 */
export function measuredPart(id, onFound) {
  const inside = el("div", { class: "measured" }, el("p", { class: "soft" }, "Measuring …"));
  const node = el("details", { class: "all-measured", testid: "measured" }, el("summary", {}, "All that is measured"), inside);
  traceApi.measured(id).then((found) => {
    inside.replaceChildren(...tables(found));
    onFound(found);
  }, (fault) => inside.replaceChildren(el("p", { class: "fault" }, messageOf(fault))));
  return node;
}

/** @param {Measured} found */
function tables({ phases, quantities }) {
  if (!phases.length && !quantities.length) return [el("p", { class: "soft" }, "The output never was on: there is nothing to measure.")];
  return [
    el("div", { class: "wide-table", tabindex: 0, role: "group", "aria-label": "Phases" }, el("table", { class: "before-after" },
      head("phase", "from", "to", "charge", "energy", "mean", "effective", "highest"), el("tbody", {}, ...phases.map(phaseRow)))),
    el("table", { class: "before-after quantities" }, head("quantity", "value"), el("tbody", {}, ...quantities.map(quantityRow))),
    el("p", { class: "soft" }, "± is the expanded uncertainty (k = 2); * : without the supply's accuracy, which is not stated."),
  ];
}

/** @param {...string} names */
const head = (...names) => el("thead", {}, el("tr", {}, ...names.map((name) => el("th", { scope: "col" }, name))));

/** @param {PhaseRow} one */
const phaseRow = (one) => el("tr", {}, el("th", { scope: "row" }, phaseWords(one.name)),
  ...[momentWords(one.from_s, 2), momentWords(one.to_s, 2), withUncertainty(one.charge_c, one.charge_u_c, "C"), withUnit(one.energy_j, "J"),
    withUnit(one.mean_a, "A"), withUnit(one.rms_a, "A"), withUnit(one.top_a, "A")].map((text) => el("td", {}, text)));

/** @param {QuantityRow} one */
const quantityRow = (one) => el("tr", {},
  el("th", { scope: "row" }, one.label, el("span", { class: "soft meaning" }, one.meaning.replace(/^1: /, ""))), el("td", {}, quantityWords(one)));

/**
 * A quantity with its unit: numbers as numbers, yes and no as such.
 * @param {Pick<QuantityRow, "value" | "uncertainty" | "unit" | "meaning" | "stated">} one
 */
export function quantityWords({ value, uncertainty, unit, meaning, stated }) {
  if (unit === "1") return meaning.startsWith("1: ") ? (value ? "yes" : "no") : String(Number(value.toPrecision(3)));
  if (unit === "%") return `${Number(value.toPrecision(3))}\u00a0%`;
  return `${withUncertainty(value, uncertainty, unit)}${uncertainty !== null && !stated ? " *" : ""}`;
}
