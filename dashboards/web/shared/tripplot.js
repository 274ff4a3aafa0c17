// The picture of a trip: voltage and current before and after it, with the four moments and the limit.

import { withUnit } from "./format.js";
import { axes, colour, Fitted, markLines, series, spread } from "./plots.js";

/** @import { TripDetail, TripReadings } from "./types.js" */
/** @typedef {import("../vendor/uPlot.esm.js")} uPlot */

const MOMENTS = [["onset", "onset"], ["detected", "detected"], ["off_sent", "off sent"], ["off_confirmed", "off confirmed"]];
/** A picture shows at least this much on either side of the moments, ms, and three readings. */
const LEAST_MARGIN_MS = 2;

/**
 * The moments that were, in ms from the decision.
 * @param {TripReadings} readings
 */
export function moments(readings) {
  return MOMENTS.map(([key, text]) => ({ s: readings.marks[key], text })).filter(/** @returns {one is {s: number, text: string}} */ (one) => typeof one.s === "number");
}

/**
 * Each moment with its time, for people: onset −12 ms.
 * @param {TripReadings} readings
 */
export function momentWords(readings) {
  const words = moments(readings).map(({ s, text }) => `${text} ${signed(s)} ms`);
  return [...words, ...(readings.marks.off_confirmed === null ? ["off NOT confirmed"] : [])].join(" · ");
}

/** @param {number} ms */
const signed = (ms) => `${ms > 0 ? "+" : ""}${Number(Number(ms.toPrecision(3)).toFixed(3))}`.replace("-", "−");

export class TripPlot extends Fitted {
  /**
   * @param {HTMLElement} node
   * @param {TripDetail} detail
   * @param {(n: number | null) => void} onPoint gets the reading under the pointer
   */
  constructor(node, detail, onPoint = () => {}) {
    const { readings, trip } = detail;
    super(node, () => ({
      scales: { x: { time: false, range: () => this.range }, i: { range: spread(0.02) }, v: { range: spread(1) } },
      axes: axes({ values: (/** @type {uPlot} */ _, /** @type {number[]} */ list) => list.map((t) => `${signed(t)} ms`), space: 80 }),
      // Readings are few here: each is seen, and what lies between two is only a line.
      series: series().map((one, n) => (n ? { ...one, points: { show: true, size: 5, fill: one.stroke } } : one)),
      legend: { show: false },
      cursor: { drag: { x: false, y: false, setScale: false }, points: { size: 9 } },
      padding: [58, 0, 0, 8],
      plugins: [limitLine(trip.figures.limit_a), markLines(moments(readings), 58)],
      hooks: { setCursor: [(/** @type {uPlot} */ u) => onPoint(u.cursor.idx ?? null)] },
    }));
    this.readings = readings;
    /** @type {[number, number]} */
    this.range = [0, 1];
    this.around();
    this.show([readings.t_ms, readings.voltage_v, readings.current_a]);
  }

  /** Show what the trip was about. */
  around() {
    const t = this.readings.t_ms;
    const times = moments(this.readings).map(({ s }) => s);
    const [first, last] = [Math.min(...times, 0), Math.max(...times, 0)];
    const reading = t.length > 1 ? (t[t.length - 1] - t[0]) / (t.length - 1) : 0;
    const margin = Math.max((last - first) / 3, 3 * reading, LEAST_MARGIN_MS);
    this.zoom(first - margin, last + margin);
  }

  /** Show all readings that were kept. */
  whole() {
    const t = this.readings.t_ms;
    const times = [...moments(this.readings).map(({ s }) => s), t[0] ?? 0, t[t.length - 1] ?? 1];
    this.zoom(Math.min(...times), Math.max(...times));
  }

  /** @param {number} from ms @param {number} to ms */
  zoom(from, to) {
    this.range = [from, to];
    this.plot?.setScale("x", { min: from, max: to });
  }
}

/**
 * Overlay: the current limit as a level line with its figure.
 * @param {unknown} limit A
 */
function limitLine(limit) {
  return {
    hooks: {
      draw: [(/** @type {uPlot} */ u) => {
        const { ctx, bbox } = u;
        if (typeof limit !== "number") return;
        const y = Math.round(u.valToPos(limit, "i", true));
        if (!(bbox.top <= y && y <= bbox.top + bbox.height)) return;
        ctx.save();
        ctx.strokeStyle = ctx.fillStyle = colour("--amp");
        ctx.lineWidth = devicePixelRatio;
        ctx.setLineDash([2 * devicePixelRatio, 4 * devicePixelRatio]);
        ctx.beginPath();
        ctx.moveTo(bbox.left, y);
        ctx.lineTo(bbox.left + bbox.width, y);
        ctx.stroke();
        ctx.font = `600 ${13 * devicePixelRatio}px system-ui, sans-serif`;
        ctx.fillText(`limit ${withUnit(limit, "A")}`, bbox.left + 6 * devicePixelRatio, y + 16 * devicePixelRatio);
        ctx.restore();
      }],
    },
  };
}
