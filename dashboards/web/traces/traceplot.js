// The plot of one trace or of several on one axis of time.

import { axes, colour, Fitted, markLines, spread } from "../shared/plots.js";
import { bandShade, levelLines, phaseShades, ring } from "./shades.js";
import { axisWords } from "./timewords.js";

/** @import { BandView, PhaseRow } from "../shared/types.js" */
/** @import { Level } from "./shades.js" */
/** @import { NamedMoment } from "../shared/plots.js" */
/** @import { Range } from "./range.js" */
/** @typedef {import("../vendor/uPlot.esm.js")} uPlot */
/** @typedef {{ name: string, scale: "i" | "v", colour: string, width: number, dash?: number[], show?: boolean }} Line one curve; `colour`: a variable of the page's style */
/** @typedef {import("../vendor/uPlot.esm.js").AlignedData} Data */

/** @type {Line[]} */
export const BOTH = [
  { name: "voltage", scale: "v", colour: "--volt", width: 1.5 },
  { name: "current", scale: "i", colour: "--amp", width: 2 },
];
/** Single readings are dots where they are this far apart, CSS px. */
const DOTS_PX = 9;
/** Room for two rows of names over the plot, or three, CSS px. */
const ABOVE = [26, 43];

export class TracePlot extends Fitted {
  /**
   * @param {HTMLElement} node
   * @param {{ lines?: Line[], signed?: boolean, rows?: number, onPoint?: (s: number | null) => void, onDrawn?: () => void }} options
   *   `signed`: time counts from the button; `rows`: of names over it, 2 or 3; `onPoint`: the moment under the pointer
   */
  constructor(node, { lines = BOTH, signed = false, rows = 3, onPoint = () => {}, onDrawn = () => {} } = {}) {
    const above = ABOVE[rows > 2 ? 1 : 0];
    super(node, () => ({
      scales: {
        x: { time: false, range: () => this.range },
        i: { range: (u, low, high) => this.height(u, low, high, 0.02) },
        v: { range: (u, low, high) => this.height(u, low, high, 1) },
      },
      axes: axes({ values: (_u, list) => axisWords(list, signed), space: 90 })
        .filter((axis) => axis.scale !== "v" || this.lines.some((line) => line.scale === "v" && line.show !== false)),
      series: [{}, ...this.lines.map((line) => ({
        label: line.name, scale: line.scale, stroke: colour(line.colour), width: line.width, dash: line.dash, show: line.show !== false,
        points: { size: 6, fill: colour(line.colour), show: sparse },
      }))],
      legend: { show: false },
      cursor: { drag: { x: false, y: false, setScale: false }, points: { size: 9 } },
      padding: [above, 8, 0, 8],
      plugins: [
        phaseShades(() => this.phases), bandShade(() => this.band), levelLines(() => this.levels),
        ring(() => this.ring), markLines(() => this.marks, above),
      ],
      hooks: {
        setCursor: [(u) => onPoint(u.cursor.left !== undefined && u.cursor.left >= 0 ? u.posToVal(u.cursor.left, "x") : null)],
        draw: [() => onDrawn()],
      },
    }));
    this.lines = lines;
    /** @type {Range} */
    this.range = [0, 1];
    /** Heights from zero, or as the readings shown need it. */
    this.fitted = false;
    /** @type {NamedMoment[]} in the order of time */
    this.marks = [];
    /** @type {Pick<PhaseRow, "name" | "from_s" | "to_s">[]} */
    this.phases = [];
    /** @type {BandView | null} */
    this.band = null;
    /** @type {Level[]} */
    this.levels = [];
    /** @type {{ s: number, a: number } | null} */
    this.ring = null;
  }

  /** @param {uPlot} u @param {number | null} low @param {number | null} high @param {number} least @returns {[number, number]} */
  height(u, low, high, least) {
    if (!this.fitted || low === null || high === null) return spread(least)(u, low, high);
    const margin = Math.max((high - low) * 0.1, Math.abs(high) * 1e-4, 1e-6);
    return [low - margin, high + margin];
  }

  /** Of the plot itself, in the screen's own pixels; 0: it has none yet. */
  get columns() {
    return this.plot?.bbox.width ?? 0;
  }

  /** Where the plot itself lies in its element, CSS px. */
  get box() {
    const { left = 0, top = 0, width = 0, height = 0 } = this.plot?.bbox ?? {};
    return { left: left / devicePixelRatio, top: top / devicePixelRatio, width: width / devicePixelRatio, height: height / devicePixelRatio };
  }

  /** @param {Data} data @param {Range} range */
  draw(data, range) {
    this.range = range;
    this.show(data);
  }

  /** Again, since what lies behind or over the curves is new. */
  again() {
    this.show(this.data);
  }
}

/** @param {uPlot} u @param {number} _n @param {number} first @param {number} last */
const sparse = (u, _n, first, last) => (last - first) * DOTS_PX * devicePixelRatio < u.bbox.width;
