// One filed power-up: its plot, its marks, and what it says.

import { api } from "../shared/api.js";
import { beside } from "./beside.js";
import { button, byId, el, setText } from "../shared/dom.js";
import { amps, clock, duration, percent, volts, withUnit } from "../shared/format.js";
import { TracePlot } from "../shared/plots.js";
import { leaving, standing } from "./standing.js";
import { mark, reason, signature } from "../shared/words.js";

const POINTS = 3000;
const REFETCH_MS = 120;

export class TraceView {
  constructor() {
    this.node = byId("part-trace");
    this.plot = null;
    this.wanted = null;
  }

  close() {
    this.wanted = null;
    clearTimeout(this.timer);
    this.plot?.destroy();
    this.plot = null;
    this.node.replaceChildren();
    this.node.hidden = true;
  }

  async open(id) {
    this.close();
    this.wanted = id;
    this.node.hidden = false;
    this.node.append(el("p", { class: "soft" }, "Loading …"));
    try {
      const [row, data] = await Promise.all([api.trace(id), api.samples(id, POINTS)]);
      if (this.wanted === id) this.show(row, data);
    } catch (fault) {
      if (this.wanted === id) this.node.replaceChildren(back(), el("p", { class: "fault" }, fault.message));
    }
  }

  show(row, data) {
    this.row = row;
    const ends = [0, (row.end_ns - row.start_ns) / 1e9];
    this.whole = [Math.min(ends[0], data.t_s[0] ?? 0), Math.max(ends[1], data.t_s[data.t_s.length - 1] ?? 1)];
    this.range = this.whole;
    this.data = data;
    const marks = row.marks.map((one) => ({ s: (one.t_ns - row.start_ns) / 1e9, text: mark(one.kind), by: one.by }));
    const box = el("div", { class: "plot filed" });
    this.point = el("p", { class: "point soft" });
    this.fault = el("p", { class: "fault", role: "alert" });
    const pressed = marks.find((one) => one.text === mark("button"));
    this.node.replaceChildren(
      back(),
      el("h2", {}, row.finding ? signature(row.finding.signature) : "Not read yet"),
      el("p", { class: "soft" }, [clock(row.start_ns), row.job ?? "no job", `${row.supply} · ${row.channel}`, `ended: ${reason(row.reason)}`].join(" · ")),
      box, this.point,
      el("div", { class: "zoom" },
        button("◀", () => this.move(-0.4, 1), { "aria-label": "earlier" }),
        button("−", () => this.move(0, 2), { "aria-label": "zoom out", class: "second" }),
        button("Whole", () => this.zoom(...this.whole)),
        pressed ? button("Button", () => this.zoom(pressed.s - 1, pressed.s + 4), { class: "second" }) : null,
        button("+", () => this.move(0, 0.5), { "aria-label": "zoom in", class: "second" }),
        button("▶", () => this.move(0.4, 1), { "aria-label": "later" })),
      this.fault,
      figures(row, marks),
      row.finding ? finding(row.finding) : null,
      beside(row),
      el("p", { class: "take-away" },
        el("a", { class: "like-button", href: api.csvAddress(row.id), download: `${row.id}.csv`, testid: "csv" }, "Take the readings away (CSV)"),
        el("a", { class: "like-button", href: api.pictureAddress(row.id), download: `${row.id}.png`, testid: "picture" }, "Take a picture away (PNG)")));
    this.plot = new TracePlot(box, [...marks, ...leaving(row.finding)].sort((a, b) => a.s - b.s), (a, b) => this.zoom(a, b), (n) => this.tell(n));
    this.draw();
  }

  draw() {
    this.plot.draw([this.data.t_s, this.data.v, this.data.i], this.range);
  }

  /** Shift by a share of what is seen, and change its length. */
  move(shift, factor) {
    const length = this.range[1] - this.range[0];
    const middle = (this.range[0] + this.range[1]) / 2 + shift * length;
    this.zoom(middle - (length * factor) / 2, middle + (length * factor) / 2);
  }

  zoom(a, b) {
    const length = Math.min(Math.max(b - a, 0.002), this.whole[1] - this.whole[0]);
    const start = Math.min(Math.max(a, this.whole[0]), this.whole[1] - length);
    this.range = [start, start + length];
    this.draw();
    clearTimeout(this.timer);
    // The part is asked for again: closer up, every reading is there.
    this.timer = setTimeout(() => this.refetch(this.row.id, this.range), REFETCH_MS);
  }

  async refetch(id, range) {
    try {
      const data = await api.samples(id, POINTS, range[0], range[1]);
      if (this.wanted !== id || this.range !== range) return;
      this.data = data;
      this.draw();
      setText(this.fault, "");
    } catch (fault) {
      if (this.wanted === id) setText(this.fault, fault.message);
    }
  }

  tell(n) {
    const t = n === null ? undefined : this.data.t_s[n];
    setText(this.point, t === undefined ? "" : `${t.toFixed(3)} s: ${amps(this.data.i[n])} A, ${volts(this.data.v[n])} V`);
  }
}

const back = () => el("a", { class: "like-button quiet back", href: "#traces" }, "◀ All power-ups");

function figures(row, marks) {
  const set = row.conditions;
  const pairs = [
    ["peak", withUnit(row.peak_a, "A")],
    ["charge", withUnit(row.charge_c, "C")],
    ["energy", withUnit(row.energy_j, "J")],
    ["length", duration((row.end_ns - row.start_ns) / 1e9)],
    ["set", `${withUnit(set.set_voltage_v, "V")}, limit ${withUnit(set.limit_a, "A")}`],
    ["readings", String(row.readings)],
    ["board", set.board],
    ...marks.map((one) => [one.text, `${one.s.toFixed(2)} s${one.by === "hand" ? ", by hand" : ""}`]),
  ];
  return el("dl", { class: "figures" }, ...pairs.filter(([, value]) => value).flatMap(([name, value]) => [el("dt", {}, name), el("dd", {}, value)]));
}

function part(title, items, kind) {
  return items.length ? [el("h3", {}, title), el("ul", { class: kind }, ...items.map((item) => el("li", {}, item)))] : [];
}

function finding(found) {
  return el("section", { class: "finding", testid: "finding", "data-signature": found.signature },
    el("p", { class: "verdict" }, el("b", {}, signature(found.signature)), ` ${percent(found.confidence)} sure`),
    ...part("Why", found.evidence.map((one) => one.text), "evidence"),
    ...part("Against good boards", standing(found), "standing"),
    ...part("What else it could be", found.alternatives.map((one) =>
      `${signature(one.signature)} (${percent(one.confidence)})${one.tell_apart ? `. To tell apart: ${one.tell_apart}` : ""}`), "others"),
    ...part("Check next", found.next_checks, "checks"),
    ...part("Mind", found.cautions, "cautions"));
}
