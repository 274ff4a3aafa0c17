// Runs in the page before its own scripts: what is drawn is read back from the canvas, frame by frame.

const AMBER = [0xff, 0xb4, 0x54];
const near = (data, k) => AMBER.every((value, n) => Math.abs(data[k + n] - value) <= 12);

/** Whether a part of a canvas has the colour of the current; in the canvas' own pixels. */
function inked(canvas, x, y, width, height) {
  const copy = (inked.copy ??= document.createElement("canvas"));
  [copy.width, copy.height] = [Math.max(Math.ceil(width), 1), Math.max(Math.ceil(height), 1)];
  const pen = copy.getContext("2d", { willReadFrequently: true });
  pen.drawImage(canvas, Math.floor(x), Math.floor(y), copy.width, copy.height, 0, 0, copy.width, copy.height);
  const { data } = pen.getImageData(0, 0, copy.width, copy.height);
  for (let k = 0; k < data.length; k += 4) if (near(data, k)) return true;
  return false;
}

/** A plot's canvas, and where the plot itself lies on it. */
function plotOf(place) {
  const canvas = document.querySelector(`${place} canvas`);
  const over = document.querySelector(`${place} .u-over`);
  if (!canvas || !over) return null;
  const [a, b] = [canvas.getBoundingClientRect(), over.getBoundingClientRect()];
  const scale = canvas.width / a.width;
  return { canvas, left: (b.left - a.left) * scale, top: (b.top - a.top) * scale, width: b.width * scale, height: b.height * scale };
}

const frame = () => new Promise((done) => requestAnimationFrame(done));
const TRACE = "[data-testid=trace-plot]";
const PATIENCE_MS = 30_000;

/** Look in each frame until it is so. `what`: what is waited for, for the error when it never comes. */
async function until(look, what) {
  const begin = performance.now();
  do {
    await frame();
    if (performance.now() - begin > PATIENCE_MS) throw new Error(`waited ${PATIENCE_MS / 1000} s for ${what()}`);
  } while (!look());
}

let asking = 0;
const fetched = window.fetch;
window.fetch = async (...asked) => {
  asking++;
  try {
    return await fetched(...asked);
  } finally {
    asking--;
  }
};

/**
 * Open a trace; ms until its curve is seen at both ends of the plot. What was asked about the one before has
 * come by then. */
async function drawn(id) {
  let quiet = 0;
  await until(() => (quiet = asking ? 0 : quiet + 1) >= 60, () => `60 frames in which nothing is asked; now ${asking} are`);
  const before = document.querySelector(TRACE);
  const begin = performance.now();
  location.hash = `#trace/${id}`;
  await until(() => {
    const plot = plotOf(TRACE);
    if (plot === null || document.querySelector(TRACE) === before) return false;
    const { canvas, left, top, width, height } = plot;
    return inked(canvas, left + 1, top, 4, height) && inked(canvas, left + width - 6, top, 4, height);
  }, () => `the curve of ${id} at both ends of the plot; shown: ${document.querySelector("#part-trace").innerText.slice(0, 300)}`);
  return performance.now() - begin;
}

/** Until the plot has not changed for some frames and nothing is being asked. */
async function settled() {
  let same = 0;
  let before = "";
  await until(() => {
    const now = `${document.querySelector(TRACE).dataset.from} ${performance.getEntriesByType("resource").length}`;
    same = now === before && !asking ? same + 1 : 0;
    before = now;
    return same >= 12;
  }, () => `12 frames in which the plot stays as it is; now ${before}, ${asking} being asked`);
}

/** How many of the spikes at these times are in view, and how many of them are not on the canvas. */
async function spikes(times) {
  await settled();
  const node = document.querySelector(TRACE);
  const [from, to] = [Number(node.dataset.from), Number(node.dataset.to)];
  const { canvas, left, top, width, height } = plotOf(TRACE);
  const seen = times.filter((s) => from < s && s < to);
  // The axis ends a tenth above the highest reading: a spike's tip lies at 1 / 1.1 of its height.
  const tip = top + height * (1 - 1 / 1.1);
  const lost = seen.filter((s) => {
    const x = left + ((s - from) / (to - from)) * width;
    return !inked(canvas, x - 2, tip - 3, 5, 8);
  });
  return { looked: seen.length, lost: lost.length };
}

/** Half as long, about a moment; by the wheel, as a person does it. */
async function closer(s) {
  const node = document.querySelector(TRACE);
  const [from, to] = [Number(node.dataset.from), Number(node.dataset.to)];
  const over = node.querySelector(".u-over").getBoundingClientRect();
  const clientX = over.left + ((s - from) / (to - from)) * over.width;
  node.dispatchEvent(new WheelEvent("wheel", { clientX, clientY: over.top + 50, deltaY: -433, bubbles: true, cancelable: true }));
}

// ---- live

/** Newest reading of the supply, and the first one above a level since it was asked for. */
const live = { current: null, least: Infinity, at: null };
const Stock = window.WebSocket;
window.WebSocket = class extends Stock {
  constructor(...asked) {
    super(...asked);
    this.addEventListener("message", ({ data }) => {
      const message = JSON.parse(data);
      if (message.type !== "samples") return;
      message.i.forEach((amps, n) => {
        live.current = amps;
        if (live.at === null && amps >= live.least) live.at = message.t0_ns / 1e6 + message.t_ms[n];
      });
    });
  }
};

const LIVE = ".plot.live";
/**
 * Whether the newest part of the plot shows more than nothing: above the lowest part, where zero is. Not the highest
 * part: while capacitors charge, the current is at the limit, so the axis ends a tenth above that, and the limit's
 * dotted line has the colour of the current too. */
function upper() {
  const plot = plotOf(LIVE);
  if (plot === null) return false;
  const { canvas, left, top, width, height } = plot;
  return inked(canvas, left + width - 3, top + height * 0.2, 3, height * 0.72);
}

/** Until the current is low, and the newest part of the plot shows it. */
async function low() {
  live.least = Infinity;
  live.at = null;
  await until(() => live.current !== null && live.current <= 0.01 && !upper(), () => `a low current in the plot; ${seen()}`);
}

/** Until the newest part of the plot is high; ms from the moment of the first such reading. */
async function high(least) {
  live.least = least;
  await until(() => live.at !== null && upper(), () => `a current of ${least} A or more in the plot; ${seen()}`);
  return performance.timeOrigin + performance.now() - live.at;
}

const seen = () => `newest reading: ${live.current} A, the plot's newest part is ${upper() ? "high" : "low"}`;
Object.assign(window, { drawn, spikes, closer, low, high, live, upper });
