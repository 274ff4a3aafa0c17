// What lies behind the curves of a plot: phases, the band of good boards, settings as level lines.

import { withUnit } from "../shared/format.js";
import { colour } from "../shared/plots.js";

/** @import { PhaseRow, BandView } from "../shared/types.js" */
/** @typedef {import("../vendor/uPlot.esm.js")} uPlot */
/** @typedef {import("../vendor/uPlot.esm.js").Plugin} Plugin */
/** @typedef {{ at: number, scale: "i" | "v", text: string }} Level a setting that is drawn as a level line */

/** @type {Record<string, string>} */
const PHASES = { off: "off", leak: "leak", boot: "boot", settled: "settled", short: "short" };
/** @param {string} name */
export const phaseWords = (name) => PHASES[name] ?? name;

/**
 * Draw with the canvas as it was before, within the plot's box.
 * @param {uPlot} u
 * @param {(ctx: CanvasRenderingContext2D) => void} draw
 */
function inBox(u, draw) {
  const { ctx, bbox } = u;
  ctx.save();
  ctx.beginPath();
  ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height);
  ctx.clip();
  draw(ctx);
  ctx.restore();
}

/**
 * Every other phase shaded, each with its name at the foot of the plot where there is room.
 * @param {() => Pick<PhaseRow, "name" | "from_s" | "to_s">[]} phases
 * @returns {Plugin}
 */
export function phaseShades(phases) {
  return {
    hooks: {
      drawAxes: [(u) => inBox(u, (ctx) => {
        const { left, top, width, height } = u.bbox;
        ctx.font = `600 ${12 * devicePixelRatio}px system-ui, sans-serif`;
        phases().forEach(({ name, from_s, to_s }, n) => {
          const a = Math.max(u.valToPos(from_s, "x", true), left);
          const b = Math.min(u.valToPos(to_s, "x", true), left + width);
          if (b <= a) return;
          ctx.globalAlpha = name === "short" ? 0.2 : 0.09;
          ctx.fillStyle = colour(name === "short" ? "--bad" : "--ink");
          if (n % 2 === 0 || name === "short") ctx.fillRect(a, top, b - a, height);
          const text = phaseWords(name);
          if (ctx.measureText(text).width + 8 * devicePixelRatio > b - a) return;
          ctx.globalAlpha = 1;
          ctx.fillStyle = colour("--soft");
          ctx.fillText(text, a + 4 * devicePixelRatio, top + height - 6 * devicePixelRatio);
        });
      })],
    },
  };
}

/**
 * What good boards of its kind draw: their mean as a broken line, and where the next good one would lie as an area.
 * @param {() => BandView | null} band
 * @returns {Plugin}
 */
export function bandShade(band) {
  return {
    hooks: {
      drawAxes: [(u) => inBox(u, (ctx) => {
        const found = band();
        if (found === null) return;
        ctx.strokeStyle = ctx.fillStyle = colour("--band");
        for (const [a, b] of runs(found.mean_a)) {
          /** @param {(number | null)[]} column @param {number} n @returns {[number, number]} */
          const point = (column, n) => [u.valToPos(found.t_s[n], "x", true), u.valToPos(column[n] ?? 0, "i", true)];
          ctx.beginPath();
          for (let n = a; n < b; n++) ctx.lineTo(...point(found.high_a, n));
          for (let n = b - 1; n >= a; n--) ctx.lineTo(...point(found.low_a, n));
          ctx.closePath();
          ctx.globalAlpha = 0.28;
          ctx.fill();
          ctx.globalAlpha = 1;
          ctx.lineWidth = 1.5 * devicePixelRatio;
          ctx.setLineDash([7 * devicePixelRatio, 5 * devicePixelRatio]);
          ctx.beginPath();
          for (let n = a; n < b; n++) ctx.lineTo(...point(found.mean_a, n));
          ctx.stroke();
        }
      })],
    },
  };
}

/**
 * Stretches without a null, as first place and the one behind the last.
 * @param {(number | null)[]} column
 * @returns {[number, number][]}
 */
export function runs(column) {
  /** @type {[number, number][]} */
  const found = [];
  let start = -1;
  for (let n = 0; n <= column.length; n++) {
    const there = n < column.length && column[n] !== null;
    if (there && start < 0) start = n;
    if (!there && start >= 0) {
      found.push([start, n]);
      start = -1;
    }
  }
  return found;
}

/**
 * Settings as level lines with their figures; one that is outside of what is shown is not drawn.
 * @param {() => Level[]} levels
 * @returns {Plugin}
 */
export function levelLines(levels) {
  return {
    hooks: {
      drawAxes: [(u) => inBox(u, (ctx) => {
        ctx.lineWidth = devicePixelRatio;
        ctx.setLineDash([2 * devicePixelRatio, 4 * devicePixelRatio]);
        ctx.font = `600 ${12 * devicePixelRatio}px system-ui, sans-serif`;
        for (const { at, scale, text } of levels()) {
          const y = Math.round(u.valToPos(at, scale, true));
          if (!(u.bbox.top <= y && y <= u.bbox.top + u.bbox.height)) continue;
          ctx.strokeStyle = ctx.fillStyle = colour(scale === "i" ? "--amp" : "--volt");
          ctx.beginPath();
          ctx.moveTo(u.bbox.left, y);
          ctx.lineTo(u.bbox.left + u.bbox.width, y);
          ctx.stroke();
          const x = scale === "i" ? u.bbox.left + 6 * devicePixelRatio
            : u.bbox.left + u.bbox.width - ctx.measureText(text).width - 6 * devicePixelRatio;
          ctx.fillText(text, x, y + (y - u.bbox.top < 20 * devicePixelRatio ? 15 : -5) * devicePixelRatio);
        }
      })],
    },
  };
}

/**
 * The settings of a trace that are worth a line.
 * @param {{ limit_a: number | null, set_voltage_v: number | null }} conditions
 * @returns {Level[]}
 */
export function levelsOf({ limit_a, set_voltage_v }) {
  return [
    ...(limit_a ? [/** @type {Level} */ ({ at: limit_a, scale: "i", text: `limit ${withUnit(limit_a, "A")}` })] : []),
    ...(set_voltage_v ? [/** @type {Level} */ ({ at: set_voltage_v, scale: "v", text: `set ${withUnit(set_voltage_v, "V")}` })] : []),
  ];
}

/**
 * A ring where something happens.
 * @param {() => { s: number, a: number } | null} place
 * @returns {Plugin}
 */
export function ring(place) {
  return {
    hooks: {
      draw: [(u) => inBox(u, (ctx) => {
        const at = place();
        if (at === null) return;
        ctx.strokeStyle = colour("--bad");
        ctx.lineWidth = 3 * devicePixelRatio;
        ctx.beginPath();
        ctx.arc(u.valToPos(at.s, "x", true), u.valToPos(at.a, "i", true), 9 * devicePixelRatio, 0, 2 * Math.PI);
        ctx.stroke();
      })],
    },
  };
}
