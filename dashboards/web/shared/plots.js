// Drawing with uPlot: pictures of data, nothing else. No fetching, no state of the page.

import { withUnit } from "./format.js";

// The page's first duty is the cut-off; it has to work even when the plot library is missing.
const uPlot = await import("../vendor/uPlot.esm.js").then((m) => m.default).catch(() => null);

const FONT = "14px system-ui, sans-serif";
export const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

/** From zero (or below, when readings are), with headroom; never flatter than `least`. */
export const spread = (least) => (u, low, high) => {
  const top = Math.max(high ?? 0, least) * 1.1;
  return [Math.min((low ?? 0) < -least / 20 ? low * 1.1 : 0, 0), top];
};

export function axes(x) {
  const base = { font: FONT, labelFont: FONT, ticks: { show: false } };
  const grid = { stroke: colour("--line"), width: 1 };
  return [
    { ...base, stroke: colour("--soft"), grid, size: 30, ...x },
    { ...base, scale: "i", stroke: colour("--amp"), grid, size: 58, values: (u, list) => list.map((n) => withUnit(n, "A")) },
    { ...base, scale: "v", side: 1, stroke: colour("--volt"), grid: { show: false }, size: 50,
      values: (u, list) => list.map((n) => `${+n.toFixed(2)} V`) },
  ];
}

export const series = () => [
  {},
  { label: "voltage", scale: "v", stroke: colour("--volt"), width: 1.5, points: { show: false } },
  { label: "current", scale: "i", stroke: colour("--amp"), width: 2.5, points: { show: false } },
];

/** Wait until the element has a size, then draw; redraw at every change of size or colours. */
export class Fitted {
  constructor(node, make) {
    this.node = node;
    this.make = make;
    this.plot = null;
    this.data = [[], [], []];
    if (uPlot === null) {
      node.textContent = "The plot library is missing; numbers and buttons work.";
      return;
    }
    this.watch = new ResizeObserver(() => this.fit());
    this.watch.observe(node);
    this.scheme = matchMedia("(prefers-color-scheme: dark)");
    this.recolour = () => this.rebuild();
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
    if (size.width >= 50 && size.height >= 50) this.plot = new uPlot({ ...size, ...this.make() }, this.data, this.node);
  }

  show(data) {
    this.data = data;
    if (this.node.clientWidth) this.plot?.setData(data);
  }

  destroy() {
    this.watch?.disconnect();
    this.scheme?.removeEventListener("change", this.recolour);
    this.plot?.destroy();
  }
}

/** The last seconds of a channel; the right edge is its newest reading. */
export class LivePlot extends Fitted {
  constructor(node) {
    super(node, () => ({
      scales: {
        x: { time: false, range: () => [this.end - this.seconds, this.end] },
        i: { range: spread(0.02) },
        v: { range: spread(1) },
      },
      axes: axes({
        splits: () => [1, 2 / 3, 1 / 3, 0].map((part) => this.end - this.seconds * part),
        values: (u, list) => list.map((t) => (t === this.end ? "now" : `${Math.round(t - this.end)} s`)),
      }),
      series: series(),
      legend: { show: false },
      cursor: { show: false },
      padding: [10, 0, 0, 8],
    }));
    this.seconds = 30;
    this.end = 0;
  }

  draw(feed) {
    if (feed.end === null) return;
    this.end = feed.end;
    this.show(feed.last(this.seconds));
  }
}

/** A filed trace. `marks`: [{s, text}]; `onRange(a, b)` when a part was dragged over; `onPoint(index or null)`. */
export class TracePlot extends Fitted {
  constructor(node, marks, onRange, onPoint) {
    // Two rows of names, or three.
    const above = marks.length > 2 ? 43 : 26;
    super(node, () => ({
      scales: { x: { time: false, range: () => this.range }, i: { range: spread(0.02) }, v: { range: spread(1) } },
      axes: axes({ values: (u, list) => list.map((t) => `${+t.toFixed(4)} s`), space: 70 }),
      series: series(),
      legend: { show: false },
      cursor: { drag: { x: true, y: false, setScale: false }, points: { size: 9 } },
      padding: [above, 0, 0, 8],
      plugins: [markLines(marks, above)],
      hooks: {
        setSelect: [(u) => {
          if (u.select.width < 8) return;
          const [a, b] = [u.posToVal(u.select.left, "x"), u.posToVal(u.select.left + u.select.width, "x")];
          u.setSelect({ left: 0, top: 0, width: 0, height: 0 }, false);
          onRange(a, b);
        }],
        setCursor: [(u) => onPoint(u.cursor.idx ?? null)],
      },
    }));
    this.range = [0, 1];
  }

  draw(data, range) {
    this.range = range;
    this.show(data);
  }
}

/** Overlay: an upright line with its name at each mark. `above`: room for the names over the plot, CSS px. */
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
        const rows = [];
        for (const { s, text } of marks) {
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
