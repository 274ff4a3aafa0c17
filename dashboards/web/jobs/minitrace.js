// Small pictures of power-ups: what a board drew before a step and after it, both at one scale.

import { api } from "../shared/api.js";
import { el, setText } from "../shared/dom.js";
import { duration, percent, withUnit } from "../shared/format.js";
import { signature } from "../shared/words.js";
import { HEIGHT, highest, lines, WIDTH } from "./spark.js";

/** @import { Columns, TraceBeside } from "../shared/types.js" */

const POINTS = 240;
const SVG = "http://www.w3.org/2000/svg";

/** Readings of filed traces do not change: asked for once. @type {Map<string, Promise<Columns>>} */
const known = new Map();
/** A page that is left open for weeks forgets the oldest. */
const MOST_KNOWN = 200;

/** @param {string} id */
function readings(id) {
  let found = known.get(id);
  if (found === undefined) {
    found = api.samples(id, POINTS);
    found.catch(() => known.delete(id));
    known.set(id, found);
    if (known.size > MOST_KNOWN) known.delete(known.keys().next().value ?? "");
  }
  return found;
}

/** Pictures are fetched when they come near the screen. */
const near = new IntersectionObserver((seen) => {
  for (const { isIntersecting, target } of seen) {
    if (!isIntersecting) continue;
    near.unobserve(target);
    waiting.get(target)?.();
  }
}, { rootMargin: "400px" });
/** @type {WeakMap<Element, () => void>} */
const waiting = new WeakMap();

/**
 * Before and after, side by side, each a link to its trace.
 * @param {TraceBeside | null | undefined} before
 * @param {TraceBeside | null | undefined} after
 */
export function pair(before, after) {
  const boxes = [box("before", before), box("after", after)];
  const node = el("div", { class: "mini-pair", testid: "step-traces" }, ...boxes.map(({ node: one }) => one));
  waiting.set(node, () => fill(boxes));
  near.observe(node);
  return node;
}

/** @typedef {{ node: HTMLElement, trace: TraceBeside | null | undefined, place: SVGSVGElement, fault: HTMLElement }} Box */

/**
 * @param {string} name
 * @param {TraceBeside | null | undefined} trace
 * @returns {Box}
 */
function box(name, trace) {
  const place = document.createElementNS(SVG, "svg");
  place.setAttribute("viewBox", `0 0 ${WIDTH} ${HEIGHT}`);
  place.setAttribute("preserveAspectRatio", "none");
  place.setAttribute("aria-hidden", "true");
  const fault = el("span", { class: "soft" });
  if (!trace) {
    const words = name === "before" ? "no power-up before it" : "not powered since";
    return { node: el("p", { class: "mini none" }, el("b", {}, name), el("span", { class: "soft" }, words)), trace, place, fault };
  }
  const found = trace.finding ? `${signature(trace.finding.signature)}, ${percent(trace.finding.confidence)}` : "not read yet";
  const node = el("a", { class: "mini", href: `#trace/${encodeURIComponent(trace.id)}` },
    el("b", {}, name), place, el("span", {}, found),
    el("span", { class: "soft" }, `peak ${withUnit(trace.peak_a, "A")} · ${duration(trace.duration_s)}`), fault);
  return { node, trace, place, fault };
}

/** @param {Box[]} boxes */
async function fill(boxes) {
  const found = await Promise.all(boxes.map(async ({ trace, fault }) => {
    if (!trace) return null;
    try {
      return await readings(trace.id);
    } catch {
      setText(fault, "No picture: its readings were not to be had.");
      return null;
    }
  }));
  const top = Math.max(0, ...found.map((one) => (one ? highest(one.i) : 0)));
  found.forEach((one, n) => one && draw(boxes[n].place, lines(one.t_s, one.i, top)));
}

/** @param {SVGSVGElement} place @param {string[]} stretches */
function draw(place, stretches) {
  place.replaceChildren(...stretches.map((points) => {
    const line = document.createElementNS(SVG, "polyline");
    line.setAttribute("points", points);
    line.setAttribute("vector-effect", "non-scaling-stroke");
    return line;
  }));
}
