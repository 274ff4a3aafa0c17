// The last seconds of an output: current, voltage, its limit, and the marks of the power-up.

import { withUnit } from "../shared/format.js";
import { axes, colour, Fitted, series, spread } from "../shared/plots.js";
import { mark } from "../shared/words.js";

/** @typedef {import("../vendor/uPlot.esm.js")} uPlot */
/** @import { Feed } from "./feed.js" */

/** Room above the plot for the names of marks, CSS px. */
const ABOVE = 24;

/** A moment, by its name. @typedef {{ kind: string, t_ns: number, by: string }} LiveMark */

export class LivePlot extends Fitted {
  /** @param {HTMLElement} node */
  constructor(node) {
    super(node, () => ({
      scales: {
        x: { time: false, range: () => [this.end - this.seconds, this.end] },
        i: { range: spread(0.02) },
        v: { range: spread(1) },
      },
      axes: axes({
        splits: () => [1, 2 / 3, 1 / 3, 0].map((part) => this.end - this.seconds * part),
        values: (/** @type {uPlot} */ _, /** @type {number[]} */ list) => list.map((t) => (t === this.end ? "now" : `${Math.round(t - this.end)} s`)),
      }),
      series: series(),
      legend: { show: false },
      cursor: { show: false },
      padding: [ABOVE, 0, 0, 8],
      hooks: { draw: [(/** @type {uPlot} */ u) => overlay(u, this.marks, this.limit_a)] },
    }));
    this.seconds = 30;
    this.end = 0;
    /** @type {LiveMark[]} */
    this.marks = [];
    /** @type {number | null} A, while the output is on */
    this.limit_a = null;
  }

  /** @param {Feed} feed */
  draw(feed) {
    if (feed.end === null) return;
    this.end = feed.end;
    this.show(feed.last(this.seconds, Math.max(this.node.clientWidth, 100)));
  }
}

/**
 * @param {uPlot} u
 * @param {LiveMark[]} marks
 * @param {number | null} limit_a
 */
function overlay(u, marks, limit_a) {
  const { ctx, bbox } = u;
  const px = devicePixelRatio;
  ctx.save();
  ctx.lineWidth = px;
  ctx.font = `600 ${13 * px}px system-ui, sans-serif`;
  drawLimit(u, limit_a);
  ctx.strokeStyle = ctx.fillStyle = colour("--ink");
  ctx.setLineDash([4 * px, 4 * px]);
  let taken = -Infinity;
  for (const one of [...marks].sort((a, b) => b.t_ns - a.t_ns)) {
    const x = Math.round(u.valToPos(one.t_ns / 1e9, "x", true));
    if (!(bbox.left <= x && x <= bbox.left + bbox.width)) continue;
    ctx.beginPath();
    ctx.moveTo(x, bbox.top);
    ctx.lineTo(x, bbox.top + bbox.height);
    ctx.stroke();
    const words = mark(one.kind);
    const width = ctx.measureText(words).width;
    const left = Math.min(Math.max(x - width / 2, bbox.left), bbox.left + bbox.width - width);
    // The newest has its name; one that would run into it has only its line.
    if (taken !== -Infinity && left + width + 6 * px > taken) continue;
    taken = left;
    ctx.fillText(words, left, bbox.top - 8 * px);
  }
  ctx.restore();
}

/** @param {uPlot} u @param {number | null} limit_a */
function drawLimit(u, limit_a) {
  if (limit_a === null) return;
  const { ctx, bbox } = u;
  const y = Math.round(u.valToPos(limit_a, "i", true));
  if (!(bbox.top <= y && y <= bbox.top + bbox.height)) return;
  ctx.strokeStyle = ctx.fillStyle = colour("--amp");
  ctx.setLineDash([2 * devicePixelRatio, 4 * devicePixelRatio]);
  ctx.beginPath();
  ctx.moveTo(bbox.left, y);
  ctx.lineTo(bbox.left + bbox.width, y);
  ctx.stroke();
  ctx.fillText(`limit ${withUnit(limit_a, "A")}`, bbox.left + 6 * devicePixelRatio, y + 16 * devicePixelRatio);
}
