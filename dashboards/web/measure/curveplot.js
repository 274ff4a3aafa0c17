// Pictures of a run: points with error bars, the fitted line, the run before, good boards; courses over time.

import { colour, Fitted } from "../shared/plots.js";
import { axisTexts, lineOf, reach, together } from "./plotdata.js";

/** @import { Curve } from "../shared/types.js" */
/** @import { Course } from "./plotdata.js" */
/** @typedef {import("../vendor/uPlot.esm.js").Plugin} Plugin */

const FONT = "14px system-ui, sans-serif";
const CAP_PX = 4;
/** Between two figures of the axis below, at least: they have units. */
const SPACE_PX = 70;
const LEAST_SHADE_PX = 2;

/** @param {string} label @param {string} unit @param {number} size */
const axis = (label, unit, size) => ({
  font: FONT, labelFont: FONT, labelSize: 22, label, size, stroke: colour("--ink"), ticks: { show: false }, grid: { stroke: colour("--line"), width: 1 },
  values: (/** @type {unknown} */ _u, /** @type {number[]} */ list) => axisTexts(list, unit),
});

/** Upright lines from value − u to value + u. @param {number[]} x @param {number[]} y @param {number[]} half @returns {Plugin} */
function bars(x, y, half) {
  return { hooks: { draw: [(u) => {
    const { ctx } = u;
    ctx.save();
    ctx.strokeStyle = colour("--amp");
    ctx.lineWidth = 1.5 * devicePixelRatio;
    ctx.beginPath();
    x.forEach((value, n) => {
      if (!half[n]) return;
      const [at, low, high] = [u.valToPos(value, "x", true), u.valToPos(y[n] - half[n], "y", true), u.valToPos(y[n] + half[n], "y", true)];
      const cap = CAP_PX * devicePixelRatio;
      for (const end of [low, high]) { ctx.moveTo(at - cap, end); ctx.lineTo(at + cap, end); }
      ctx.moveTo(at, low);
      ctx.lineTo(at, high);
    });
    ctx.stroke();
    ctx.restore();
  }] } };
}

/** Stretches without readings, from top to bottom; the shortest is seen. @param {[number, number][]} gaps as on the axis @returns {Plugin} */
function shades(gaps) {
  return { hooks: { drawAxes: [(u) => {
    const { ctx, bbox } = u;
    ctx.save();
    ctx.beginPath();
    ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height);
    ctx.clip();
    ctx.fillStyle = `${colour("--bad")}40`;
    for (const [from, to] of gaps) {
      const [left, right] = [u.valToPos(from, "x", true), u.valToPos(to, "x", true)];
      const wide = Math.max(right - left, LEAST_SHADE_PX * devicePixelRatio);
      ctx.fillRect((left + right - wide) / 2, bbox.top, wide, bbox.height);
    }
    ctx.restore();
  }] } };
}

/**
 * The second column over the first.
 * @param {HTMLElement} node @param {Curve} curve
 * @param {Curve[]} before the same curve of the run before, dashed @param {Curve[]} good and of runs on good boards, thin
 * @param {number} [n] which column
 */
export function curvePlot(node, curve, before, good, n = 1) {
  const line = lineOf(curve, n);
  const fit = line.fitted.length ? [{ x: line.x, y: line.fitted }] : [];
  const [earlier, others] = [before, good].map((curves) => curves.filter((one) => one.columns.length > n).map((one) => lineOf(one, n)));
  const data = together([line, ...fit, ...earlier, ...others]);
  const u = data[0].map((x) => line.u[line.x.indexOf(x)] ?? 0);
  const ends = reach(data.slice(1), u);
  const across = reach([data[0]], []);
  const [below, left] = [curve.columns[0], curve.columns[n]];
  const whole = below.unit === "" && data[0].every(Number.isInteger);
  const plot = new Fitted(node, () => ({
    legend: { show: false }, cursor: { show: false }, plugins: [bars(line.x, line.y, line.u)],
    scales: { x: { time: false, range: () => across }, y: { range: () => ends } },
    axes: [{ ...axis(below.title, below.unit, 40), space: SPACE_PX, ...(whole ? { incrs: [1, 2, 5, 10, 20, 50, 100, 200, 500, 1000] } : {}) }, axis(left.title, left.unit, 76)],
    series: [{}, { stroke: colour("--amp"), width: 0, points: { show: true, size: 8, fill: colour("--amp") } },
      ...fit.map(() => ({ stroke: colour("--ink"), width: 2, points: { show: false } })),
      ...earlier.map(() => ({ stroke: colour("--volt"), width: 2, dash: [8, 6], points: { show: false } })),
      ...others.map(() => ({ stroke: colour("--soft"), width: 1, points: { show: false } }))],
  }));
  plot.show(/** @type {any} */ (data));
  return plot;
}

/** Least, mean and largest current over time, broken and shaded where nothing was read. @param {HTMLElement} node @param {Course} course */
export function coursePlot(node, course) {
  const long = (course.t_s[course.t_s.length - 1] ?? 0) > 7200;
  const per = long ? 3600 : 1;
  const band = `${colour("--amp")}55`;
  const gaps = course.gaps.map(([from, to]) => /** @type {[number, number]} */ ([from / per, to / per]));
  const plot = new Fitted(node, () => ({
    legend: { show: false }, cursor: { show: false }, scales: { x: { time: false } }, plugins: [shades(gaps)],
    axes: [axis(long ? "Hours" : "Seconds", "", 40), axis("Current", "A", 76)],
    series: [{}, { stroke: band, width: 1, points: { show: false } }, { stroke: colour("--amp"), width: 2.5, points: { size: 5, fill: colour("--amp") } }, { stroke: band, width: 1, points: { show: false } }],
    bands: [{ series: [3, 1], fill: band }],
  }));
  plot.show(/** @type {any} */ ([course.t_s.map((s) => s / per), course.low_a, course.mean_a, course.high_a]));
  return plot;
}
