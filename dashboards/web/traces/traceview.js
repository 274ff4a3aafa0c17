// One filed power-up: its plot, its marks, and what it says.

import { api, messageOf } from "../shared/api.js";
import { button, byId, el, setText } from "../shared/dom.js";
import { amps, clock, volts } from "../shared/format.js";
import { reason, signature } from "../shared/words.js";
import { beside } from "./beside.js";
import { companions } from "./companions.js";
import { Cursors } from "./cursors.js";
import { figures, findingPart } from "./finding.js";
import { steer } from "./gestures.js";
import { Marks, moments } from "./marks.js";
import { measuredPart } from "./measured.js";
import { moved, within, zoomed } from "./range.js";
import { levelsOf } from "./shades.js";
import { nearestTo } from "./splice.js";
import { leaving } from "./standing.js";
import { digitsFor, momentWords } from "./timewords.js";
import { traceApi } from "./traceapi.js";
import { TracePlot } from "./traceplot.js";
import { Windows } from "./windows.js";

/** @import { TraceRow } from "../shared/types.js" */
/** @import { Range } from "./range.js" */

const CLOSER = 0.5;
const STEP = 0.4;
/** Around the button, s. */
const BUTTON = [-1, 4];
/** Around the moment at which the good boards are left, s. */
const LEFT = [-0.5, 1];

export class TraceView {
  constructor() {
    this.node = byId("part-trace");
    /** @type {Shown | null} */
    this.shown = null;
  }

  close() {
    this.shown?.close();
    this.shown = null;
    this.node.replaceChildren();
    this.node.hidden = true;
  }

  /** @param {string | null} id */
  open(id) {
    if (id === null || this.shown?.id === id) return;
    this.close();
    this.node.hidden = false;
    this.shown = new Shown(id, this.node);
  }

  /** @param {string} kind */
  event(kind) {
    if (kind === "journal") this.shown?.lookAgain();
  }
}

/** One trace while it is on the page. */
class Shown {
  /** @param {string} id @param {HTMLElement} node */
  constructor(id, node) {
    this.id = id;
    this.node = node;
    this.closed = false;
    /** @type {TraceRow | null} */
    this.row = null;
    /** @type {Marks | null} */
    this.marks = null;
    /** @type {Range} */
    this.range = [0, 1];
    this.box = el("div", { class: "plot filed", tabindex: 0, role: "group", testid: "trace-plot",
      "aria-label": "Plot of the power-up. Arrow keys move it, plus and minus zoom, 0 shows all of it." });
    this.title = el("h2", {}, "Loading …");
    this.about = el("p", { class: "soft" });
    this.point = el("p", { class: "point soft" });
    this.detail = el("p", { class: "soft detail", role: "status", testid: "detail" });
    this.fault = el("p", { class: "fault", role: "alert" });
    this.toButton = button("Button", () => this.toMoment("button", BUTTON), { class: "second", hidden: true });
    this.toLeft = button("Where it leaves the good one", () => this.toMoment("left", LEFT), { hidden: true });
    this.below = el("div", { class: "below" });
    this.plot = new TracePlot(this.box, { onPoint: (s) => this.tell(s), onDrawn: () => this.fit() });
    this.windows = new Windows(id, () => this.draw(), (text) => setText(this.fault, text));
    this.pane = {
      box: () => this.plot.box,
      range: () => this.range,
      whole: () => this.windows.ends,
      show: (/** @type {Range} */ range) => this.zoom(range),
    };
    this.cursors = new Cursors(this.box, this.pane, () => [{ name: "", between: (from, to) => traceApi.between(id, from, to) }]);
    steer(this.box, this.pane);
    node.replaceChildren(back(), this.title, this.about, this.box, this.point, this.controls(), this.detail, this.fault, this.cursors.readout, this.below);
    this.load();
  }

  controls() {
    const fit = button("Fit height", () => {
      this.plot.fitted = !this.plot.fitted;
      fit.setAttribute("aria-pressed", String(this.plot.fitted));
      this.draw();
    }, { "aria-pressed": "false" });
    return el("div", {},
      el("div", { class: "zoom" },
        button("◀", () => this.zoom(moved(this.range, -STEP, this.windows.ends)), { "aria-label": "earlier" }),
        button("−", () => this.closer(1 / CLOSER), { "aria-label": "zoom out", class: "second" }),
        button("Whole", () => this.zoom(this.windows.ends)),
        this.toButton,
        button("+", () => this.closer(CLOSER), { "aria-label": "zoom in", class: "second" }),
        button("▶", () => this.zoom(moved(this.range, STEP, this.windows.ends)), { "aria-label": "later" })),
      el("div", { class: "zoom more" }, this.cursors.toggle, fit, this.toLeft));
  }

  async load() {
    this.plot.fit();
    try {
      // Drawn as soon as the readings are there; what they say may come later.
      const [row] = await Promise.all([api.trace(this.id), this.windows.first(Math.max(this.plot.columns, 300)).then(() => this.begin())]);
      if (!this.closed) this.take(row);
    } catch (fault) {
      if (this.closed) return;
      this.close();
      this.node.replaceChildren(back(), el("p", { class: "fault" }, messageOf(fault)));
    }
  }

  begin() {
    if (!this.closed) this.zoom(this.windows.ends);
  }

  /** What is told of the trace, for the first time or after it was read again. @param {TraceRow} row */
  take(row) {
    this.row = row;
    setText(this.title, row.finding ? signature(row.finding.signature) : "Not read yet");
    setText(this.about, [clock(row.start_ns), row.job ?? "no job", `${row.supply} · ${row.channel}`, `ended: ${reason(row.reason)}`].join(" · "));
    const left = leaving(row.finding);
    this.toButton.hidden = !row.marks.some((one) => one.kind === "button");
    this.toLeft.hidden = !left.length;
    this.plot.marks = [...moments(row), ...left].sort((a, b) => a.s - b.s);
    this.plot.levels = levelsOf(row.conditions);
    this.plot.ring = left.length && row.finding?.divergence ? { s: left[0].s, a: row.finding.divergence.current_a } : null;
    this.plot.again();
    if (this.marks === null) this.marks = new Marks(this.box, this.pane, row, (again) => this.take(again));
    else this.marks.take(row);
    const lay = el("div", { class: "take-away", testid: "companions" });
    companions(row).then((links) => lay.replaceChildren(...links), () => {});
    this.below.replaceChildren(
      lay, row.finding ? findingPart(row.finding) : "", this.marks.node, figures(row),
      beside(row), measuredPart(row.id, (found) => this.shade(found.phases)), takeAway(row));
  }

  /** @param {import("../shared/types.js").PhaseRow[]} phases */
  async shade(phases) {
    if (this.closed) return;
    this.plot.phases = phases;
    this.plot.again();
    const band = await traceApi.band(this.id).catch(() => null);
    if (this.closed || band === null || !band.t_s.length) return;
    this.plot.band = band;
    this.plot.again();
    this.detail.dataset.band = String(band.references);
    this.say();
  }

  /** Somebody wrote into the journal: perhaps a mark of this trace. */
  async lookAgain() {
    const row = await api.trace(this.id).catch(() => null);
    if (this.closed || row === null || this.row === null) return;
    if (JSON.stringify(row.marks) !== JSON.stringify(this.row.marks)) this.take(row);
  }

  draw() {
    if (this.closed) return;
    this.plot.draw(this.windows.columns, this.range);
    [this.box.dataset.from, this.box.dataset.to] = this.range.map(String);
    this.say();
  }

  /** What is drawn, in words. */
  say() {
    const band = this.detail.dataset.band;
    const drawn = this.windows.whole ? "Every reading is drawn." : "Of each column of pixels the lowest and the highest reading is drawn.";
    setText(this.detail, `${drawn}${band ? ` The area with the broken line is what ${band === "1" ? "the good board draws" : `the ${band} good boards draw`}.` : ""}`);
  }

  /** Lines over the plot go with it. */
  fit() {
    this.cursors?.fit();
    this.marks?.handle.fit();
  }

  /** @param {number} factor */
  closer(factor) {
    this.zoom(zoomed(this.range, factor, (this.range[0] + this.range[1]) / 2, this.windows.ends));
  }

  /** @param {"button" | "left"} what @param {number[]} around */
  toMoment(what, [before, behind]) {
    if (this.row === null) return;
    const at = what === "button" ? moments(this.row).find((one) => one.kind === "button")?.s : leaving(this.row.finding)[0]?.s;
    if (at !== undefined) this.zoom([at + before, at + behind]);
  }

  /** @param {Range} range */
  zoom(range) {
    this.range = within(range, this.windows.ends);
    this.draw();
    this.windows.want(this.range, this.plot.columns);
  }

  /** The reading nearest to the pointer. @param {number | null} s */
  tell(s) {
    const [t, v, i] = this.windows.columns;
    const n = s === null ? null : nearestTo(t, s);
    const digits = Math.max(digitsFor((this.range[1] - this.range[0]) / Math.max(this.plot.box.width, 1)), 3);
    setText(this.point, n === null ? "" : `${momentWords(t[n], digits)}: ${amps(i[n])} A, ${volts(v[n])} V`);
  }

  close() {
    this.closed = true;
    this.windows.close();
    this.plot.destroy();
  }
}

const back = () => el("a", { class: "like-button quiet back", href: "#traces" }, "◀ All power-ups");

/** @param {TraceRow} row */
function takeAway(row) {
  /** @type {[string, string, string][]} */
  const forms = [
    ["csv", "csv", "Readings as CSV"], ["parquet", "parquet", "Readings as Parquet"], ["lines", "lp", "Lines for a time-series database (.lp)"],
    ["picture.png", "png", "Picture (PNG)"], ["picture.svg", "svg", "Picture (SVG)"]];
  return el("section", { "aria-label": "Take away" }, el("h3", {}, "Take away"), el("div", { class: "take-away" },
    ...forms.map(([form, ending, text]) => el("a", { class: "like-button", href: traceApi.address(row.id, form), download: `${row.id}.${ending}`,
      testid: form === "picture.png" ? "picture" : form }, text))));
}
