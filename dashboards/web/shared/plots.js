// Drawing with uPlot: pictures of data, nothing else. No fetching, no state of the page.

import { withUnit } from "./format.js";

/** @typedef {import("../vendor/uPlot.esm.js")} uPlot */
/** @typedef {import("../vendor/uPlot.esm.js").Options} Options */
/** @typedef {import("../vendor/uPlot.esm.js").AlignedData} Data */
/** @typedef {{ s: number, text: string }} NamedMoment a moment on the axis of time, and its name */

// The page's first duty is the cut-off; it has to work even when the plot library is missing.
/** @type {(new (options: Options, data: Data, place: HTMLElement) => uPlot) | null} */
const uPlot = await import("../vendor/uPlot.esm.js").then((m) => /** @type {any} */ (m).default).catch(() => null);

const FONT = "14px system-ui, sans-serif";
/**
 * A colour of the page, as it is now.
 * @param {string} name of a variable of app.css
 */
export const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

/**
 * From zero (or below, when readings are), with headroom; never flatter than `least`.
 * @param {number} least
 * @returns {(u: uPlot, low: number | null, high: number | null) => [number, number]}
 */
export const spread = (least) => (_u, low, high) => {
  const top = Math.max(high ?? 0, least) * 1.1;
  return [Math.min(low !== null && low < -least / 20 ? low * 1.1 : 0, 0), top];
};

/**
 * Time below, current on the left, voltage on the right.
 * @param {import("../vendor/uPlot.esm.js").Axis} x what is special about the axis of time
 * @returns {import("../vendor/uPlot.esm.js").Axis[]}
 */
export function axes(x) {
  const base = { font: FONT, labelFont: FONT, ticks: { show: false } };
  const grid = { stroke: colour("--line"), width: 1 };
  return [
    { ...base, stroke: colour("--soft"), grid, size: 30, ...x },
    { ...base, scale: "i", stroke: colour("--amp"), grid, size: 58, values: (_u, list) => list.map((n) => withUnit(n, "A")) },
    { ...base, scale: "v", side: 1, stroke: colour("--volt"), grid: { show: false }, size: 50,
      values: (_u, list) => list.map((n) => `${+n.toFixed(2)} V`) },
  ];
}

/** @returns {import("../vendor/uPlot.esm.js").Series[]} */
export const series = () => [
  {},
  { label: "voltage", scale: "v", stroke: colour("--volt"), width: 1.5, points: { show: false } },
  { label: "current", scale: "i", stroke: colour("--amp"), width: 2.5, points: { show: false } },
];

/** Wait until the element has a size, then draw; redraw at every change of size or colours. */
export class Fitted {
  /**
   * @param {HTMLElement} node
   * @param {() => Omit<Options, "width" | "height">} make with the colours of now
   */
  constructor(node, make) {
    this.node = node;
    this.make = make;
    /** @type {uPlot | null} */
    this.plot = null;
    /** @type {Data} */
    this.data = [[], [], []];
    this.watch = new ResizeObserver(() => this.fit());
    this.scheme = matchMedia("(prefers-color-scheme: dark)");
    this.recolour = () => this.rebuild();
    if (uPlot === null) {
      node.textContent = "The plot library is missing; numbers and buttons work.";
      return;
    }
    this.watch.observe(node);
    this.scheme.addEventListener("change", this.recolour);
  }

  size() {
    return { width: Math.floor(this.node.clientWidth), height: Math.floor(this.node.clientHeight) };
  }

  fit() {
    const size = this.size();
    if (size.width < 50 || size.height < 50) return;
    if (this.plot === null) this.rebuild();
    else if (size.width !== this.plot.width || size.height !== this.plot.height) this.plot.setSize(size);
  }

  rebuild() {
    this.plot?.destroy();
    this.plot = null;
    const size = this.size();
    if (uPlot !== null && size.width >= 50 && size.height >= 50) this.plot = new uPlot({ ...size, ...this.make() }, this.data, this.node);
  }

  /** @param {Data} data */
  show(data) {
    this.data = data;
    if (this.node.clientWidth) this.plot?.setData(data);
  }

  destroy() {
    this.watch.disconnect();
    this.scheme.removeEventListener("change", this.recolour);
    this.plot?.destroy();
    this.plot = null;
  }
}

/**
 * Overlay: an upright line with its name at each mark.
 * @param {NamedMoment[] | (() => NamedMoment[])} marks in the order of time
 * @param {number} above room for the names over the plot, CSS px
 * @returns {import("../vendor/uPlot.esm.js").Plugin}
 */
export function markLines(marks, above = 26) {
  return {
    hooks: {
      draw: [(u) => {
        const { ctx, bbox } = u;
        ctx.save();
        ctx.strokeStyle = ctx.fillStyle = colour("--ink");
        ctx.lineWidth = devicePixelRatio;
        ctx.setLineDash([4 * devicePixelRatio, 4 * devicePixelRatio]);
        ctx.font = `600 ${13 * devicePixelRatio}px system-ui, sans-serif`;
        /** @type {number[]} */
        const rows = [];
        for (const { s, text } of typeof marks === "function" ? marks() : marks) {
          const x = Math.round(u.valToPos(s, "x", true));
          if (!(bbox.left <= x && x <= bbox.left + bbox.width)) continue;
          ctx.beginPath();
          ctx.moveTo(x, bbox.top);
          ctx.lineTo(x, bbox.top + bbox.height);
          ctx.stroke();
          const width = ctx.measureText(text).width;
          const left = Math.min(Math.max(x - width / 2, bbox.left), bbox.left + bbox.width - width);
          // A name that would run into the one before it goes a row lower.
          const found = rows.findIndex((end) => end < left);
          const row = found < 0 ? rows.length : found;
          rows[row] = left + width + 6 * devicePixelRatio;
          ctx.fillText(text, left, bbox.top + (row * 17 + 18 - above) * devicePixelRatio);
        }
        ctx.restore();
      }],
    },
  };
}
