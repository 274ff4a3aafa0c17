// Several power-ups over each other, or one under the other.

import { api, messageOf } from "../shared/api.js";
import { button, byId, el, setText } from "../shared/dom.js";
import { percent } from "../shared/format.js";
import { beforeAfter } from "./beside.js";
import { compareAddress, MOST, traceWords } from "./companions.js";
import { Cursors } from "./cursors.js";
import { steer } from "./gestures.js";
import { byTheClock, joined, lookOf, together } from "./overlay.js";
import { moved, within, zoomed } from "./range.js";
import { traceApi } from "./traceapi.js";
import { TracePlot } from "./traceplot.js";
import { Windows } from "./windows.js";

/** @import { LinedUp } from "../shared/types.js" */
/** @import { Range } from "./range.js" */
/** @typedef {{ row: LinedUp["trace"], lined: LinedUp, windows: Windows, zero_s: number, shown: boolean, n: number }} Member */

const CLOSER = 0.5;
const STEP = 0.4;
const AROUND = [-1, 4];
/** @type {Record<string, string>} */
const BY = { button: "", rise: "moved so that the rises lie on each other", start: "shows no button: from its start" };
const SVG = "http://www.w3.org/2000/svg";

export class CompareView {
  constructor() {
    this.node = byId("part-compare");
    /** @type {Compared | null} */
    this.shown = null;
  }

  /** @param {string | null} id of the traces, with commas between */
  open(id) {
    const ids = [...new Set((id ?? "").split(",").filter(Boolean))];
    if (this.shown?.key === ids.join(",")) return;
    this.close();
    this.node.hidden = false;
    if (ids.length === 0 || ids.length > MOST) {
      this.node.replaceChildren(back(), el("p", { class: "fault" }, `${ids.length} power-ups chosen: 1 to ${MOST} can be told apart in one picture.`));
      return;
    }
    this.shown = new Compared(ids, this.node);
  }

  close() {
    this.shown?.close();
    this.shown = null;
    this.node.replaceChildren();
    this.node.hidden = true;
  }
}

/** Some traces while they are on the page. */
class Compared {
  /** @param {string[]} ids @param {HTMLElement} node */
  constructor(ids, node) {
    this.key = ids.join(",");
    this.ids = ids;
    this.node = node;
    this.closed = false;
    /** @type {Member[]} */
    this.members = [];
    /** @type {TracePlot[]} */
    this.plots = [];
    /** @type {Cursors | null} */
    this.cursors = null;
    this.clock = false;
    this.apart = false;
    /** @type {Range} */
    this.range = [0, 1];
    this.panes = el("div", { class: "panes" });
    this.fault = el("p", { class: "fault", role: "alert" });
    this.list = el("ul", { class: "over-list", testid: "over-list", "aria-label": "Curves" });
    this.readout = el("div", {});
    this.figures = el("div", { testid: "before-after" });
    this.byButton = button("At the button", () => this.lay(false, this.apart), { testid: "by-button" });
    this.byClock = button("By the clock", () => this.lay(true, this.apart), { testid: "by-clock" });
    this.over = button("Over each other", () => this.lay(this.clock, false));
    this.under = button("One under the other", () => this.lay(this.clock, true), { testid: "under" });
    this.toggle = el("div", { class: "zoom more" });
    this.toButton = button("Button", () => this.zoom([AROUND[0], AROUND[1]]), { class: "second" });
    node.replaceChildren(back(), el("h2", {}, "Power-ups compared"), el("p", { class: "soft" }, "Loading …"));
    this.load();
  }

  async load() {
    try {
      const lined = await traceApi.lineUp(this.ids);
      if (this.closed) return;
      this.members = lined.map((one, n) => ({
        row: one.trace, lined: one, zero_s: one.zero_s, shown: true, n,
        windows: new Windows(one.trace.id, () => this.draw(), (text) => setText(this.fault, text)),
      }));
      const columns = Math.round(Math.max(this.node.clientWidth, 300) * devicePixelRatio);
      await Promise.all(this.members.map(({ windows }) => windows.first(columns)));
      if (this.closed) return;
      const same = together(this.members.map(({ row }) => row));
      this.build();
      this.lay(same, same);
    } catch (fault) {
      if (!this.closed) this.node.replaceChildren(back(), el("p", { class: "fault" }, messageOf(fault)));
    }
  }

  build() {
    this.node.replaceChildren(
      back(), el("h2", {}, "Power-ups compared"),
      el("div", { class: "zoom two", role: "group", "aria-label": "How they are laid" }, this.byButton, this.byClock, this.over, this.under),
      this.panes,
      el("div", { class: "zoom" },
        button("◀", () => this.zoom(moved(this.range, -STEP, this.whole)), { "aria-label": "earlier" }),
        button("−", () => this.closer(1 / CLOSER), { "aria-label": "zoom out", class: "second" }),
        button("Whole", () => this.zoom(this.whole)),
        this.toButton,
        button("+", () => this.closer(CLOSER), { "aria-label": "zoom in", class: "second" }),
        button("▶", () => this.zoom(moved(this.range, STEP, this.whole)), { "aria-label": "later" })),
      this.toggle, this.fault, this.readout, this.list, this.figures);
    this.fillList();
    if (this.members.length < 2) return;
    const [first, second] = this.members.map(({ row }) => row).sort((a, b) => a.start_ns - b.start_ns);
    api.compare(second.id, first.id).then((found) => this.figures.replaceChildren(...beforeAfter(found, "The second against the first, in time")),
      (fault) => this.figures.replaceChildren(el("p", { class: "soft" }, messageOf(fault))));
  }

  fillList() {
    this.list.replaceChildren(...this.members.map((one) => {
      const { row, lined } = one;
      const see = button(one.shown ? "Hide" : "Show", () => {
        one.shown = !one.shown;
        this.fillList();
        this.lay(this.clock, this.apart);
      }, { "aria-label": `${one.shown ? "Hide" : "Show"} ${traceWords(row)}` });
      const rest = this.ids.filter((id) => id !== row.id);
      return el("li", {}, swatch(one.n),
        el("a", { class: "reach", href: `#trace/${encodeURIComponent(row.id)}` }, traceWords(row), row.finding ? ` (${percent(row.finding.confidence)})` : ""), see,
        el("span", { class: "more soft" }, [row.job ?? "no job", `${row.supply} · ${row.channel}`, row.conditions.side, this.clock ? "" : BY[lined.by]]
          .filter(Boolean).join(" · "), rest.length ? " · " : "", rest.length ? el("a", { class: "reach", href: compareAddress(rest), "aria-label": `leave it out: ${traceWords(row)}` }, "leave it out") : ""));
    }));
  }

  /** @param {boolean} clock by the clock, else at the button @param {boolean} apart one under the other */
  lay(clock, apart) {
    const same = this.clock === clock && this.plots.length > 0;
    [this.clock, this.apart] = [clock, apart];
    this.toButton.hidden = clock;
    const zeros = clock ? byTheClock(this.members.map(({ row }) => row)) : this.members.map(({ lined }) => lined.zero_s);
    this.members.forEach((one, n) => { one.zero_s = zeros[n]; });
    for (const [node, pressed] of /** @type {[HTMLElement, boolean][]} */ ([[this.byButton, !clock], [this.byClock, clock], [this.over, !apart], [this.under, apart]])) {
      node.setAttribute("aria-pressed", String(pressed));
    }
    this.fillList();
    this.hang();
    this.zoom(same ? this.range : this.whole);
  }

  /** Make the plots anew. */
  hang() {
    for (const plot of this.plots) plot.destroy();
    const shown = this.visible;
    const boxes = this.apart ? shown.map((one) => [one]) : [shown];
    const had = this.cursors?.a.shown ? [this.cursors.a.s, this.cursors.b.s] : null;
    this.cursors = null;
    const made = boxes.map((members) => {
      const names = members.map(({ row }) => traceWords(row)).join(", ");
      const box = el("div", { class: "plot filed", tabindex: 0, role: "group", testid: "trace-plot",
        "aria-label": `Plot of ${names}. Arrow keys move it, plus and minus zoom, 0 shows all of it.` });
      const plot = new TracePlot(box, { lines: members.flatMap((one) => this.linesOf(one)), signed: !this.clock, rows: 2, onDrawn: () => this.cursors?.fit() });
      if (!this.clock) plot.marks = [{ s: 0, text: "button" }];
      steer(box, this.paneOf(plot));
      return { box, plot, members };
    });
    this.plots = made.map(({ plot }) => plot);
    this.panes.replaceChildren(...made.flatMap(({ box, members }) => (this.apart ? [el("h3", {}, `${traceWords(members[0].row)} · ${sideWords(members[0])}`), box] : [box])));
    if (made.length) this.measure(made[0].box, made[0].plot, had);
    for (const plot of this.plots) plot.fit();
  }

  /** @param {HTMLElement} box @param {TracePlot} plot @param {number[] | null} had */
  measure(box, plot, had) {
    const cursors = new Cursors(box, this.paneOf(plot), () => this.visible.map((one) => ({
      name: traceWords(one.row),
      between: (from, to) => traceApi.between(one.row.id, from + one.zero_s, to + one.zero_s),
    })), !this.clock);
    this.cursors = cursors;
    this.toggle.replaceChildren(cursors.toggle);
    this.readout.replaceChildren(cursors.readout);
    if (had === null) return;
    cursors.show();
    cursors.a.set(had[0]);
    cursors.b.set(had[1]);
  }

  /** @param {TracePlot} plot */
  paneOf(plot) {
    return { box: () => plot.box, range: () => this.range, whole: () => this.whole, show: (/** @type {Range} */ range) => this.zoom(range) };
  }

  /** @param {Member} one @returns {import("./traceplot.js").Line[]} */
  linesOf({ n, row }) {
    const { colour, dash } = lookOf(n);
    const name = traceWords(row);
    if (!this.apart) return [{ name, scale: "i", colour, width: 2, dash }];
    return [{ name: `voltage ${name}`, scale: "v", colour: "--volt", width: 1.5 }, { name: `current ${name}`, scale: "i", colour: "--amp", width: 2 }];
  }

  get visible() {
    return this.members.filter(({ shown }) => shown);
  }

  /** @returns {Range} */
  get whole() {
    const ends = this.visible.map(({ windows, zero_s }) => windows.ends.map((s) => s - zero_s));
    return ends.length ? [Math.min(...ends.map(([a]) => a)), Math.max(...ends.map(([, b]) => b))] : [0, 1];
  }

  draw() {
    if (this.closed) return;
    const shown = this.visible;
    this.plots.forEach((plot, n) => {
      const members = this.apart ? [shown[n]] : shown;
      const traces = members.map(({ windows, zero_s }) => ({ columns: windows.columns, zero_s }));
      plot.draw(/** @type {import("./traceplot.js").Data} */ (joined(traces, this.apart ? [1, 2] : [2])), this.range);
    });
  }

  /** @param {number} factor */
  closer(factor) {
    this.zoom(zoomed(this.range, factor, (this.range[0] + this.range[1]) / 2, this.whole));
  }

  /** @param {Range} range */
  zoom(range) {
    this.range = within(range, this.whole);
    this.draw();
    const width = this.plots[0]?.columns ?? 0;
    for (const { windows, zero_s } of this.visible) windows.want([this.range[0] + zero_s, this.range[1] + zero_s], width);
  }

  close() {
    this.closed = true;
    for (const { windows } of this.members) windows.close();
    for (const plot of this.plots) plot.destroy();
  }
}

/** @param {Member} one */
const sideWords = ({ row }) => ({ usb: "USB side", battery: "battery side" })[row.conditions.side] ?? `${row.supply} · ${row.channel}`;

const back = () => el("a", { class: "like-button quiet back", href: "#traces" }, "◀ All power-ups");

/** The line as it is drawn. @param {number} n */
function swatch(n) {
  const { colour, dash } = lookOf(n);
  const picture = document.createElementNS(SVG, "svg");
  const line = document.createElementNS(SVG, "line");
  for (const [name, value] of Object.entries({ x1: 0, x2: 54, y1: 10, y2: 10, "stroke-width": 4, "stroke-dasharray": dash.join(" ") || "none" })) line.setAttribute(name, String(value));
  line.style.stroke = `var(${colour})`;
  picture.setAttribute("class", "swatch");
  picture.setAttribute("viewBox", "0 0 54 20");
  picture.setAttribute("aria-hidden", "true");
  picture.append(line);
  return picture;
}
