// What stands behind the protection of one output: how soon it cuts, what the supply guards itself, how readings come.

import { el, setText } from "../shared/dom.js";
import { duration } from "../shared/format.js";

/** @import { ChannelView } from "../shared/types.js" */

/** @param {unknown} value */
const ms = (value) => (typeof value === "number" ? `${Number(value.toPrecision(3))} ms` : "–");
const FIGURES = [
  ["interval_ms", "between readings, now"], ["jitter_ms", "jitter"], ["worst_ms", "worst gap, newest second"],
  ["worst_minute_ms", "worst gap, last minute"], ["round_trip_ms", "question to reply"], ["overrun_ms", "late by this computer"],
];

export class Health {
  constructor() {
    this.warning = el("p", { class: "promise", role: "status", testid: "promise-warning" });
    this.promise = el("p", { testid: "promise" });
    this.onFor = el("p", { class: "soft" });
    this.layer = el("ul", { class: "layer", testid: "second-layer" });
    this.figures = new Map(FIGURES.map(([key]) => [key, el("dd", {})]));
    this.table = el("dl", { class: "figures" }, ...FIGURES.flatMap(([key, name]) => [el("dt", {}, name), this.figures.get(key)]));
    this.fold = el("details", { class: "health", testid: "health" }, el("summary", {}, "Protection and readings"),
      this.promise, this.onFor, el("h3", {}, "The supply protects by itself"), this.layer, el("h3", {}, "How readings come in"), this.table);
    this.shownLayer = "";
  }

  /**
   * @param {ChannelView} view
   * @param {string} shown the output's state as far as this page knows
   * @param {number} sinceS how old the view is, s
   */
  refresh(view, shown, sinceS) {
    const { promise, health } = view;
    const broken = promise !== null && !promise.kept;
    setText(this.warning, broken ? sentence(promise.text) : "");
    setText(this.promise, promise !== null && !broken ? sentence(promise.text) : "");
    const on = shown === "on" && view.on_s !== null;
    setText(this.onFor, on ? `On for ${duration(Number(view.on_s) + sinceS)}` : "");
    const layer = JSON.stringify([on, view.second_layer]);
    if (layer !== this.shownLayer) {
      this.shownLayer = layer;
      const none = on ? "nothing that was read back: only benchd's guard protects" : "told when it is on";
      const lines = on && view.second_layer?.length ? view.second_layer : [none];
      this.layer.replaceChildren(...lines.map((text) => el("li", {}, text)));
    }
    this.table.hidden = !health;
    for (const [key, node] of this.figures) setText(node, ms(health?.[key]));
  }
}

/** @param {string | undefined} text */
const sentence = (text = "") => (text ? `${text.charAt(0).toUpperCase()}${text.slice(1)}.`.replace(/\.\.$/, ".") : "");
