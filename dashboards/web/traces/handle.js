// An upright line over a plot that is taken hold of and moved: by finger, mouse or arrow keys.

import { el, setText } from "../shared/dom.js";
import { momentAt, shareOf } from "./range.js";
import { digitsFor, momentWords } from "./timewords.js";

/** @import { Pane } from "./gestures.js" */

const KEY_PX = 1;
const FAST_PX = 20;

export class Handle {
  /**
   * @param {HTMLElement} place the plot's element
   * @param {Pane} pane
   * @param {{ letter: string, label: string, row: number, signed?: boolean, onMove: () => void }} options
   *   `row`: how far from the foot its grip is, so that two that are close are both in reach
   */
  constructor(place, pane, { letter, label, row, signed = false, onMove }) {
    this.place = place;
    this.pane = pane;
    this.signed = signed;
    this.onMove = onMove;
    this.s = 0;
    this.grip = el("span", { class: `grip row-${row}` }, letter);
    this.node = el("div", { class: "handle", role: "slider", tabindex: 0, "aria-label": label, testid: `handle-${letter}`, hidden: true }, this.grip);
    this.node.addEventListener("pointerdown", (event) => this.take(event));
    this.node.addEventListener("dblclick", (event) => event.stopPropagation());
    this.node.addEventListener("keydown", (event) => this.key(event));
    place.append(this.node);
  }

  get shown() {
    return !this.node.hidden;
  }

  /** @param {number} s */
  show(s) {
    this.node.hidden = false;
    this.set(s, false);
  }

  hide() {
    this.node.hidden = true;
  }

  /** @param {number} s @param {boolean} [tell] */
  set(s, tell = true) {
    const [a, b] = this.pane.whole();
    this.s = Math.min(Math.max(s, a), b);
    this.fit();
    if (tell) this.onMove();
  }

  /** How many digits of its moment can be told apart on the screen. */
  get digits() {
    const [a, b] = this.pane.range();
    return Math.max(digitsFor((b - a) / Math.max(this.pane.box().width, 1)), 2);
  }

  /** Lie where its moment is now; at the edge, and pale, where that is outside. */
  fit() {
    if (this.node.hidden) return;
    const { left, top, width, height } = this.pane.box();
    const share = shareOf(this.s, this.pane.range());
    const seen = Math.min(Math.max(share, 0), 1);
    Object.assign(this.node.style, { transform: `translateX(${left + seen * width}px)`, top: `${top}px`, height: `${height}px` });
    this.node.dataset.out = share < 0 ? "before" : share > 1 ? "behind" : "";
    const [first, last] = this.pane.whole();
    const words = momentWords(this.s, this.digits, this.signed);
    for (const [name, value] of [["aria-valuemin", first], ["aria-valuemax", last], ["aria-valuenow", this.s], ["aria-valuetext", words]]) {
      this.node.setAttribute(String(name), String(value));
    }
  }

  /** @param {string} letter */
  rename(letter) {
    setText(this.grip, letter);
  }

  /** @param {PointerEvent} event */
  take(event) {
    event.stopPropagation();
    event.preventDefault();
    this.node.focus();
    this.node.setPointerCapture(event.pointerId);
    const { left, width } = this.pane.box();
    const at = (/** @type {PointerEvent} */ e) => (e.clientX - this.place.getBoundingClientRect().left - left) / width;
    // It is held where it was taken: it does not jump under the finger.
    const seen = Math.min(Math.max(shareOf(this.s, this.pane.range()), 0), 1);
    const off = seen - at(event);
    const move = (/** @type {PointerEvent} */ e) => {
      e.stopPropagation();
      this.set(momentAt(Math.min(Math.max(at(e) + off, 0), 1), this.pane.range()));
    };
    const end = () => {
      this.node.removeEventListener("pointermove", move);
      this.node.removeEventListener("pointerup", end);
      this.node.removeEventListener("pointercancel", end);
    };
    this.node.addEventListener("pointermove", move);
    this.node.addEventListener("pointerup", end);
    this.node.addEventListener("pointercancel", end);
  }

  /** @param {KeyboardEvent} event */
  key(event) {
    const [a, b] = this.pane.range();
    const pixel = (b - a) / Math.max(this.pane.box().width, 1);
    const step = (event.shiftKey ? FAST_PX : KEY_PX) * pixel;
    /** @type {Record<string, number>} */
    const known = {
      ArrowLeft: this.s - step, ArrowDown: this.s - step, ArrowRight: this.s + step, ArrowUp: this.s + step,
      PageDown: this.s - FAST_PX * pixel, PageUp: this.s + FAST_PX * pixel, Home: a, End: b,
    };
    const next = known[event.key];
    if (next === undefined || event.ctrlKey || event.altKey || event.metaKey) return;
    event.preventDefault();
    event.stopPropagation();
    this.set(next);
  }
}
