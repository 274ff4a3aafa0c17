// A filed trace beside others: as a reference of its board, beside the one before it, and the nearest of the past.

import { api, messageOf } from "../shared/api.js";
import { button, el } from "../shared/dom.js";
import { clock, percent, withUncertainty, withUnit } from "../shared/format.js";
import { attempt, closeSheet, showSheet } from "../shared/sheet.js";
import { signature } from "../shared/words.js";
import { compareAddress } from "./companions.js";

/** @import { Comparison, Nearest, ReferenceAdded, TraceRow } from "../shared/types.js" */

const NEAREST = 5;

/** The section; it fills itself. What cannot be had says why. @param {TraceRow} row */
export function beside(row) {
  const reference = el("div", { class: "reference", testid: "reference" });
  const before = el("div", { testid: "before-after" });
  const near = el("div", { testid: "nearest" });
  fill(reference, () => showReference(reference, row));
  fill(before, async () => before.replaceChildren(...beforeAfter(await earlier(row), "Against the one before it in this job")));
  fill(near, async () => near.replaceChildren(...nearest(row, await api.nearest(row.id, NEAREST))));
  return el("section", { class: "beside", "aria-label": "Beside others" }, reference, before, near);
}

/** @param {HTMLElement} node @param {() => Promise<unknown>} work */
async function fill(node, work) {
  try {
    await work();
  } catch (fault) {
    node.replaceChildren(el("p", { class: "soft" }, messageOf(fault)));
  }
}

// ---- reference

/** @param {HTMLElement} node @param {TraceRow} row */
async function showReference(node, row) {
  const kept = (await api.references()).find((one) => one.trace === row.id);
  const fault = el("p", { class: "fault", role: "alert" });
  if (kept) {
    const remove = button("No longer a reference", async () => {
      if (await attempt(remove, fault, () => api.removeReference(row.id))) await fill(node, () => showReference(node, row));
    }, { class: "quiet", testid: "reference-remove", "data-changes": true });
    node.replaceChildren(el("p", {}, el("b", {}, `Reference for ${kept.board}`), kept.note ? `: ${kept.note}` : ""), remove, fault);
    return;
  }
  node.replaceChildren(button("Make it a reference …", () => ask(node, row), { testid: "reference-add", "data-changes": true }));
}

/** @param {HTMLElement} node @param {TraceRow} row */
function ask(node, row) {
  const fault = el("p", { class: "fault", role: "alert" });
  const board = el("input", { id: "reference-board", name: "board", maxlength: 120, autocomplete: "off", "data-first": true,
    placeholder: row.conditions.board || (row.job ? "that of its job" : ""), testid: "reference-board" });
  const note = el("input", { id: "reference-note", name: "note", maxlength: 1000, autocomplete: "off" });
  const go = el("button", { type: "submit", class: "go", testid: "reference-go" }, "Keep as a reference");
  const form = el("form", { class: "fields" },
    el("p", { class: "soft" }, "Only a board that is known to be good. Others of its kind are held against it."),
    el("label", { for: "reference-board" }, "Kind of board"), board,
    el("label", { for: "reference-note" }, "Note"), note, go, fault);
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    /** @type {ReferenceAdded[]} */
    const kept = [];
    if (!(await attempt(go, fault, async () => kept.push(await api.addReference(row.id, board.value.trim(), note.value.trim()))))) return;
    closeSheet();
    await fill(node, () => showReference(node, row));
    if (kept[0].doubt) node.append(el("p", { class: "fault", role: "alert", testid: "reference-doubt" }, kept[0].doubt));
  });
  showSheet("A trace of a good board", el("div", { class: "sheet-body" }, form), "reference-sheet");
}

// ---- before and after

const LOOKED_THROUGH = 1000;

/** The comparison with the trace before it of the same job; null: there is none. @param {TraceRow} row */
async function earlier(row) {
  const all = row.job === null ? [] : await api.traces(row.job, LOOKED_THROUGH);
  const before = all.find((one) => one.start_ns < row.start_ns);
  return before ? api.compare(row.id, before.id) : null;
}

/**
 * Two traces in words and figures.
 * @param {Comparison | null} found null: there is none, and nothing is shown
 * @param {string} title
 */
export function beforeAfter(found, title) {
  if (found === null) return [];
  const shown = found.figures.filter((one) => one.before !== null || one.after !== null);
  const side = (/** @type {string} */ name, /** @type {number} */ confidence) => `${signature(name)} (${percent(confidence)})`;
  /** @type {(value: number | null, u: number | null, unit: string) => string} */
  const cell = (value, u, unit) => (unit === "1" ? percent(value) : withUncertainty(value, u, unit));
  const alike = typeof found.similarity === "number" ? [`${percent(found.similarity)} alike.`] : [];
  return [
    el("h3", {}, title),
    el("p", {}, `Before: ${side(found.before_signature, found.before_confidence)}. Now: ${side(found.after_signature, found.after_confidence)}. `,
      [...alike, found.divergence?.text ?? found.why_not].filter(Boolean).join(" ")),
    el("table", { class: "before-after" },
      el("thead", {}, el("tr", {}, ...["quantity", "before", "now"].map((name) => el("th", { scope: "col" }, name)))),
      el("tbody", {}, ...shown.map((one) => el("tr", { class: one.changed ? "changed" : null },
        el("th", { scope: "row" }, one.name, one.changed ? el("b", {}, " changed") : null),
        el("td", {}, cell(one.before, one.before_u, one.unit)),
        el("td", {}, cell(one.after, one.after_u, one.unit)))))),
  ];
}

// ---- the nearest of the past

/** @param {TraceRow} row @param {Nearest} found */
function nearest(row, found) {
  if (!found.nearest.length && !found.waiting) return [];
  const waiting = found.waiting ? `${found.waiting} older power-ups are not looked at yet.` : "";
  return [
    el("h3", {}, "Most like it in the past"),
    el("ol", { class: "rows" }, ...found.nearest.map(({ trace, distance_a }) => el("li", { class: "near" },
      el("a", { class: "trace-row", href: `#trace/${encodeURIComponent(trace.id)}`, testid: "near-row" },
        el("b", { class: "words" }, trace.finding ? signature(trace.finding.signature) : "not read yet"),
        el("span", { class: "sure" }, trace.finding ? percent(trace.finding.confidence) : ""),
        el("span", { class: "more" },
          el("span", {}, `${clock(trace.start_ns)} · ${trace.job ?? "no job"}`),
          el("span", {}, `differs by ${withUnit(distance_a, "A")}`))),
      el("a", { class: "like-button", href: compareAddress([trace.id, row.id]), "aria-label": `Over it: that of ${clock(trace.start_ns)}` }, "Over it")))),
    el("p", { class: "soft" }, waiting),
  ];
}
