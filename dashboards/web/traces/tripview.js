// One trip of the log: its picture, its moments, what it let through.

import { api, messageOf } from "../shared/api.js";
import { button, byId, el, setText } from "../shared/dom.js";
import { amps, begin, clock, volts } from "../shared/format.js";
import { momentWords, TripPlot } from "../shared/tripplot.js";
import { budgetLine, disagreement, figurePairs } from "../shared/tripwords.js";
import { mode, rule } from "../shared/words.js";

/** @import { TripDetail } from "../shared/types.js" */

export class TripView {
  constructor() {
    this.node = byId("part-trip");
    /** @type {TripPlot | null} */
    this.plot = null;
    /** @type {string | null} */
    this.wanted = null;
  }

  close() {
    this.wanted = null;
    this.plot?.destroy();
    this.plot = null;
    this.node.replaceChildren();
    this.node.hidden = true;
  }

  /** @param {string | null} number */
  async open(number) {
    if (number === null) return;
    this.close();
    this.wanted = number;
    this.node.hidden = false;
    this.node.append(el("p", { class: "soft" }, "Loading …"));
    try {
      const detail = await api.trip(Number(number));
      if (this.wanted === number) this.show(detail);
    } catch (fault) {
      if (this.wanted === number) this.node.replaceChildren(back(), el("p", { class: "fault" }, messageOf(fault)));
    }
  }

  /** @param {TripDetail} detail */
  show(detail) {
    const { trip, readings } = detail;
    const { figures } = trip;
    const box = el("div", { class: "plot filed" });
    const point = el("p", { class: "point soft" });
    const tell = (/** @type {number | null} */ n) => setText(point, n === null ? "" :
      `${readings.t_ms[n].toFixed(2)} ms: ${amps(readings.current_a[n])} A, ${volts(readings.voltage_v[n])} V, ${mode(readings.mode[n])}`);
    const confirmed = readings.marks.off_confirmed !== null;
    this.node.replaceChildren(
      back(),
      el("h2", {}, `Trip ${trip.number}: ${rule(figures.rule)}`),
      el("p", { class: "soft" }, [clock(figures.detected_ns), trip.job ?? "no job", `${trip.supply} · ${trip.channel}`].join(" · ")),
      el("p", {}, begin(figures.text)),
      disagreement(figures) ?? "",
      box, point,
      el("p", { class: confirmed ? "moments" : "moments fault" }, momentWords(readings)),
      el("div", { class: "zoom" },
        button("Around the trip", () => this.plot?.around()), button(`All ${readings.t_ms.length} readings`, () => this.plot?.whole())),
      budgetLine(figures) ?? "",
      el("dl", { class: "figures" }, ...figurePairs(figures).flatMap(([name, value]) => [el("dt", {}, name), el("dd", {}, value)])),
      el("p", { class: "soft" }, "± is the expanded uncertainty (k = 2) from the supply's accuracy; 'at most' counts what no reading saw."),
      trip.trace ? el("p", {}, el("a", { class: "like-button", href: `#trace/${encodeURIComponent(trip.trace)}` }, "The power-up that it ended")) : "");
    this.plot = new TripPlot(box, detail, tell);
  }
}

const back = () => el("a", { class: "like-button quiet back", href: "#traces" }, "◀ All power-ups");
