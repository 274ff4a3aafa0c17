// What the operator must know, at the top of the page: on a phone one line that opens on tap.

import { button, el, setText } from "../shared/dom.js";

/** @import { BenchView } from "../shared/types.js" */

export class Warnings {
  /** @param {HTMLElement} node the part of the page that it fills */
  constructor(node) {
    this.node = node;
    this.urgent = el("ul", { class: "urgent" }); // never folded: what the rest of the page says may not hold
    this.lines = el("ul", {});
    this.fold = button("", () => this.open(!this.isOpen), { class: "fold-line", testid: "warnings-fold" });
    this.away = button("Put past alarms away", () => this.putAway(), { class: "away", testid: "alarms-away" });
    /** @type {Record<string, any>[]} */
    this.past = [];
    this.again = () => {};
    this.awayUntil_ns = 0;
    this.shown = "";
    this.isOpen = false;
    this.open(false);
    node.append(this.urgent, this.fold, this.lines, this.away);
  }

  /** @param {boolean} is */
  open(is) {
    this.isOpen = is;
    this.node.classList.toggle("open", is);
    this.fold.setAttribute("aria-expanded", String(is));
  }

  /**
   * @param {BenchView | null} view null: the bench was not heard yet
   * @param {string} state of the link to it
   */
  update(view, state) {
    this.again = () => this.update(view, state);
    const past = this.past = view?.alarms ?? [];
    // Only what happened can be put away, and on this page only; what still is so stays.
    const gone = new Set(past.filter((alarm) => alarm.at_ns <= this.awayUntil_ns).map((alarm) => alarm.text));
    const lines = (view?.warnings ?? []).filter((line) => !gone.has(line));
    const there = past.filter((alarm) => !gone.has(alarm.text));
    const newest = there.at(-1)?.text ?? lines[0];
    /** @type {string[]} */
    const urgent = [];
    if (view !== null && view.guard !== "alive") urgent.unshift(`Guard ${view.guard}: protection may be missing.`);
    if (state === "lost") urgent.unshift("This page does not hear the bench. If in doubt, switch off at the supply itself.");
    const all = JSON.stringify([urgent, lines, newest, there.length]);
    if (all === this.shown) return;
    this.shown = all;
    this.node.hidden = urgent.length + lines.length === 0;
    this.fold.hidden = lines.length === 0;
    this.away.hidden = there.length === 0;
    setText(this.fold, lines.length === 1 ? `1 warning: ${newest}` : `${lines.length} warnings, newest: ${newest}`);
    this.urgent.replaceChildren(...urgent.map((line) => el("li", {}, line)));
    this.lines.replaceChildren(...lines.map((line) => el("li", {}, line)));
  }

  putAway() {
    this.awayUntil_ns = Math.max(this.awayUntil_ns, ...this.past.map((alarm) => alarm.at_ns));
    this.open(false);
    this.again();
  }
}
