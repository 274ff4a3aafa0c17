// The list of filed power-ups, and of trips among them.

import { api, messageOf } from "../shared/api.js";
import { byId, button, el, setText } from "../shared/dom.js";
import { clock, duration, percent, withUnit } from "../shared/format.js";
import { throughWords } from "../shared/tripwords.js";
import { rule, signature } from "../shared/words.js";
import { compareAddress, MOST, traceWords } from "./companions.js";

/** @import { BenchView, TraceRow, TripRow } from "../shared/types.js" */

const SHOWN = 50;

export class Traces {
  constructor() {
    this.onlyJob = false;
    /** @type {string | null} */
    this.job = null;
    this.list = el("ol", { class: "rows" });
    this.filter = button("This job only", () => {
      this.onlyJob = !this.onlyJob;
      this.filter.setAttribute("aria-pressed", String(this.onlyJob));
      this.reload();
    }, { class: "quiet", "aria-pressed": "false" });
    /** Ids of those that are ticked, in that order; null: nothing is being chosen. @type {string[] | null} */
    this.chosen = null;
    this.choose = button("Compare …", () => this.choosing(this.chosen === null ? [] : null), { class: "quiet", "aria-pressed": "false", testid: "choose" });
    this.go = button("", () => { location.hash = compareAddress(this.chosen ?? []); }, { class: "go", hidden: true, testid: "compare-chosen" });
    byId("part-traces").append(el("div", { class: "part-head" }, el("h2", {}, "Power-ups"), this.choose, this.filter), this.go, this.list);
  }

  /** @param {BenchView} view */
  async update(view) {
    if (view.job === this.job) return;
    this.job = view.job;
    if (this.onlyJob) await this.reload();
  }

  /** @param {string} kind */
  async event(kind) {
    if (kind === "trace" || kind === "trip") await this.reload();
  }

  /** @param {string[] | null} chosen */
  choosing(chosen) {
    this.chosen = chosen;
    this.choose.setAttribute("aria-pressed", String(chosen !== null));
    this.tell();
    this.reload();
  }

  /** @param {string} id @param {HTMLInputElement} box */
  tick(id, box) {
    const others = (this.chosen ?? []).filter((one) => one !== id);
    if (box.checked && others.length === MOST) box.checked = false;
    this.chosen = box.checked ? [...others, id] : others;
    this.tell();
  }

  tell() {
    const count = this.chosen?.length ?? 0;
    this.go.hidden = this.chosen === null;
    this.go.disabled = count < 2;
    setText(this.go, count < 2 ? `Tick two to ${MOST} to lay them over each other` : `Lay these ${count} over each other`);
  }

  /** The row of a trace; with a box to tick while some are being chosen. @param {TraceRow} trace */
  row(trace) {
    const node = row(trace);
    if (this.chosen === null) return node;
    const box = el("input", { type: "checkbox", "aria-label": `Choose ${traceWords(trace)}`, testid: "choose-box" });
    box.checked = this.chosen.includes(trace.id);
    box.addEventListener("change", () => this.tick(trace.id, box));
    node.className = "choice";
    node.prepend(el("label", { class: "tick" }, box));
    return node;
  }

  async reload() {
    const job = this.onlyJob ? this.job : null;
    try {
      const [traces, trips] = await Promise.all([api.traces(job, SHOWN), api.trips(job, SHOWN)]);
      // Each list is the newest of its kind: what is older than the end of a full one would have holes.
      const rows = [...traces.map((one) => dated(one.start_ns, this.row(one))), ...trips.map((one) => dated(one.figures.detected_ns, tripRow(one)))]
        .sort(([a], [b]) => b - a).slice(0, SHOWN).map(([, node]) => node);
      this.list.replaceChildren(...(rows.length ? rows : [el("li", { class: "soft" }, "Nothing filed yet. Power a board; its trace comes here by itself.")]));
    } catch (fault) {
      this.list.replaceChildren(el("li", { class: "fault" }, messageOf(fault)));
    }
  }
}

/** @param {number} t_ns @param {HTMLElement} node @returns {[number, HTMLElement]} */
const dated = (t_ns, node) => [t_ns, node];

/** @param {TripRow} trip */
function tripRow({ number, job, supply, channel, figures }) {
  return el("li", {},
    el("a", { class: "trace-row trip-row", href: `#trip/${number}`, testid: "trip-row" },
      el("b", { class: "words" }, `Trip: ${rule(figures.rule)}`),
      el("span", { class: "sure" }, figures.off_confirmed ? "" : "off NOT confirmed"),
      el("span", { class: "more" },
        el("span", {}, `${clock(figures.detected_ns)} · ${job ?? "no job"} · ${supply} · ${channel}`),
        el("span", {}, throughWords(figures)))));
}

/** @param {TraceRow} trace */
function row(trace) {
  const found = trace.finding;
  return el("li", {},
    el("a", { class: "trace-row", href: `#trace/${encodeURIComponent(trace.id)}`, testid: "trace-row", "data-trace": trace.id, "data-signature": found?.signature },
      el("b", { class: "words" }, found ? signature(found.signature) : "not read yet"),
      el("span", { class: "sure" }, found ? percent(found.confidence) : ""),
      el("span", { class: "more" },
        el("span", {}, `${clock(trace.start_ns)} · ${trace.job ?? "no job"}`),
        el("span", {}, `peak ${withUnit(trace.peak_a, "A")} · ${duration((trace.end_ns - trace.start_ns) / 1e9)}`))));
}
