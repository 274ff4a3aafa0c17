// Two cursors on a plot, and what lies between them.

import { messageOf } from "../shared/api.js";
import { button, el, setText } from "../shared/dom.js";
import { figureList } from "./finding.js";
import { Handle } from "./handle.js";
import { momentAt } from "./range.js";
import { atWords, betweenPairs, lengthWords, momentWords, rateWords } from "./timewords.js";

/** @import { Pane } from "./gestures.js" */
/** @import { Between } from "../shared/types.js" */

/**
 * @typedef {object} Measuring one curve that is measured between the cursors
 * @property {string} name empty where there is one only
 * @property {(from: number, to: number) => Promise<Between>} between moments of the plot's axis
 */

export class Cursors {
  /**
   * @param {HTMLElement} place the plot's element
   * @param {Pane} pane
   * @param {() => Measuring[]} measured
   * @param {boolean} [signed] the axis counts from the button
   */
  constructor(place, pane, measured, signed = false) {
    this.pane = pane;
    this.measured = measured;
    this.signed = signed;
    const handle = (/** @type {string} */ letter, /** @type {number} */ row) =>
      new Handle(place, pane, { letter, label: `Cursor ${letter}`, row, signed, onMove: () => this.renew() });
    this.a = handle("A", 0);
    this.b = handle("B", 1);
    this.toggle = button("Cursors", () => (this.a.shown ? this.hide() : this.show()), { "aria-pressed": "false", testid: "cursors" });
    this.times = el("p", { class: "cursor-times" });
    this.values = el("div", { class: "cursor-values" });
    this.readout = el("section", { class: "readout", hidden: true, testid: "readout", "aria-label": "Between the cursors" },
      this.times, this.values,
      el("div", { class: "zoom" }, button("Bring them here", () => this.show()), button("Zoom to them", () => this.zoom())));
    this.asking = false;
    this.again = false;
  }

  /** At a third and two thirds of what is shown. */
  show() {
    this.a.show(momentAt(1 / 3, this.pane.range()));
    this.b.show(momentAt(2 / 3, this.pane.range()));
    this.toggle.setAttribute("aria-pressed", "true");
    this.readout.hidden = false;
    this.renew();
  }

  hide() {
    this.a.hide();
    this.b.hide();
    this.toggle.setAttribute("aria-pressed", "false");
    this.readout.hidden = true;
  }

  zoom() {
    const { from, to } = this.span;
    const margin = Math.max((to - from) * 0.1, 1e-6);
    this.pane.show([from - margin, to + margin]);
  }

  get span() {
    return { from: Math.min(this.a.s, this.b.s), to: Math.max(this.a.s, this.b.s) };
  }

  /** After the plot was drawn anew. */
  fit() {
    this.a.fit();
    this.b.fit();
  }

  /** Say where they are at once, and what lies between as soon as the bench has measured it. */
  renew() {
    const { from, to } = this.span;
    const words = (/** @type {Handle} */ one) => momentWords(one.s, one.digits, this.signed);
    const apart = to - from;
    setText(this.times, `A\u00a0${words(this.a)} · B\u00a0${words(this.b)} · Δt\u00a0${lengthWords(apart)} (${rateWords(apart)})`);
    if (!this.asking) this.ask();
    else this.again = true;
  }

  async ask() {
    this.asking = true;
    do {
      this.again = false;
      const { from, to } = this.span;
      const backwards = this.a.s > this.b.s;
      try {
        const found = await Promise.all(this.measured().map(async (one) => ({ name: one.name, found: await one.between(from, to) })));
        this.values.replaceChildren(...found.map((one) => values(one.name, one.found, backwards)));
      } catch (fault) {
        this.values.replaceChildren(el("p", { class: "fault" }, messageOf(fault)));
      }
    } while (this.again && this.a.shown);
    this.asking = false;
  }
}

/** @param {string} name @param {Between} found @param {boolean} backwards B lies before A */
function values(name, found, backwards) {
  const [a, b] = backwards ? [found.last, found.first] : [found.first, found.last];
  // Differences go from A to B, wherever they lie.
  const pairs = betweenPairs(backwards ? { ...found, first: found.last, last: found.first } : found);
  return el("div", {}, name ? el("h3", {}, name) : null, figureList([["at A", atWords(a)], ["at B", atWords(b)], ...pairs]));
}
