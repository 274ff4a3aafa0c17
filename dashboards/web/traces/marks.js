// The marks of a trace: what they are, set by hand, moved, taken away. The trace is read again after each.

import { Fault, messageOf } from "../shared/api.js";
import { button, el, setText } from "../shared/dom.js";
import { attempt } from "../shared/sheet.js";
import { mark } from "../shared/words.js";
import { Handle } from "./handle.js";
import { momentAt, shareOf } from "./range.js";
import { momentWords } from "./timewords.js";
import { traceApi } from "./traceapi.js";

/** @import { Pane } from "./gestures.js" */
/** @import { Mark, TraceRow } from "../shared/types.js" */

/** Those that a person can set. @type {Mark["kind"][]} */
const BY_HAND = ["connected", "button", "boot-end", "removed"];
/** @type {Record<Mark["by"], string>} */
const BY = { hand: "by hand", recogniser: "recognised", guard: "by the guard" };

/**
 * Marks for a plot, in the order of time.
 * @param {TraceRow} row
 */
export const moments = (row) => row.marks.map((one) => ({ s: (one.t_ns - row.start_ns) / 1e9, text: markWords(one), kind: one.kind, by: one.by }))
  .sort((a, b) => a.s - b.s);

/** @param {Mark} one */
const markWords = (one) => `${mark(one.kind)}${one.why ? ` (${one.why})` : ""}`;

export class Marks {
  /**
   * @param {HTMLElement} place the plot's element
   * @param {Pane} pane
   * @param {TraceRow} row
   * @param {(row: TraceRow) => void} onChanged it was read again
   */
  constructor(place, pane, row, onChanged) {
    this.pane = pane;
    this.row = row;
    this.onChanged = onChanged;
    /** @type {Mark["kind"]} */
    this.kind = "button";
    this.handle = new Handle(place, pane, { letter: "mark", label: "The mark", row: 2, onMove: () => this.tell() });
    this.list = el("ul", { class: "marks" });
    this.fault = el("p", { class: "fault", role: "alert" });
    this.where = el("b", {});
    this.keep = button("Keep it here", () => this.set(this.handle.s), { class: "go", testid: "mark-keep" });
    this.kinds = BY_HAND.map((kind) => button(mark(kind), () => this.place(kind), { "aria-pressed": "false", testid: `set-mark-${kind}` }));
    this.placing = el("div", { class: "placing", hidden: true, "data-changes": true },
      el("p", {}, "Drag the line marked ", this.where, " in the plot, or move it with the arrow keys. Zoom in for the single reading."),
      el("div", { class: "zoom" }, this.keep, button("Leave it", () => this.leave())));
    this.node = el("section", { class: "marking", "aria-label": "Marks", testid: "marking" },
      el("h3", {}, "Marks"), this.list,
      el("div", { class: "zoom kinds", "data-changes": true, role: "group", "aria-label": "Set a mark by hand" },
        el("span", { class: "soft" }, "Set by hand:"), ...this.kinds),
      this.placing, this.fault);
    this.fill();
  }

  /** @param {TraceRow} row */
  take(row) {
    this.row = row;
    this.leave();
    this.fill();
  }

  fill() {
    const rows = moments(this.row).map((one) => el("li", {},
      button(`${one.text} ${momentWords(one.s)}`, () => this.look(one.s), { class: "quiet" }),
      el("span", { class: "soft" }, BY[one.by]),
      one.by === "hand" ? this.away(one.kind) : null));
    this.list.replaceChildren(...(rows.length ? rows : [el("li", { class: "soft" }, "None.")]));
  }

  /** @param {Mark["kind"]} kind */
  away(kind) {
    const node = button("Take away", () => attempt(node, this.fault, () => this.send(kind, null)), {
      "data-changes": true, testid: `mark-away-${kind}`, "aria-label": `Take away the mark ${mark(kind)}` });
    return node;
  }

  /** @param {number} s */
  look(s) {
    const [a, b] = this.pane.range();
    if (shareOf(s, [a, b]) < 0 || shareOf(s, [a, b]) > 1) this.pane.show([s - (b - a) / 2, s + (b - a) / 2]);
    else this.pane.show([s - (b - a) / 6, s + (b - a) / 6]);
  }

  /** Show the line: where the mark is, if that is in view. @param {Mark["kind"]} kind */
  place(kind) {
    this.kind = kind;
    const range = this.pane.range();
    const known = moments(this.row).filter((one) => one.kind === kind).sort((x, y) => Number(y.by === "hand") - Number(x.by === "hand"))[0];
    const share = known ? shareOf(known.s, range) : -1;
    this.handle.rename(mark(kind));
    this.handle.node.setAttribute("aria-label", `The mark ${mark(kind)}`);
    this.handle.show(known && share >= 0 && share <= 1 ? known.s : momentAt(0.5, range));
    this.placing.hidden = false;
    setText(this.fault, "");
    this.kinds.forEach((node, n) => node.setAttribute("aria-pressed", String(BY_HAND[n] === kind)));
    this.tell();
    this.handle.node.focus();
  }

  tell() {
    setText(this.where, mark(this.kind));
    setText(this.keep, `Keep it at ${momentWords(this.handle.s, this.handle.digits)}`);
  }

  leave() {
    this.handle.hide();
    this.placing.hidden = true;
    for (const node of this.kinds) node.setAttribute("aria-pressed", "false");
  }

  /** @param {number} s */
  set(s) {
    return attempt(this.keep, this.fault, () => this.send(this.kind, s));
  }

  /** @param {Mark["kind"]} kind @param {number | null} s */
  async send(kind, s) {
    try {
      // Before the trace's start there is nothing to mark.
      this.onChanged(await traceApi.mark(this.row.id, kind, s === null ? null : Math.max(s, 0), this.row.marks));
    } catch (fault) {
      if (!(fault instanceof Fault) || fault.code !== "stale") throw fault;
      this.onChanged(fault.present);
      throw new Error(messageOf(fault));
    }
  }
}
