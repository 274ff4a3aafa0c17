// Procedures: choose one, set it up, watch its run, read what came of it; leads.

import { byId, el } from "../shared/dom.js";
import { Choice } from "./choice.js";
import { LeadsPart } from "./leads.js";
import { RunPart } from "./runpart.js";
import { Setup } from "./setup.js";

/** @import { Hearing } from "../bench/hearing.js" */
/** @import { BenchView } from "../shared/types.js" */
/** @typedef {{ node: HTMLElement, update?: (view: BenchView) => unknown, event?: (kind: string, payload: any) => unknown,
 *   reload?: () => unknown, refresh?: (live: boolean) => unknown, close?: () => unknown }} Inside */

// The look of this view comes with it: the first page has no need of it.
await new Promise((done) => document.head.append(el("link", { rel: "stylesheet", href: "measure/measure.css", on: { load: done, error: done } })));

export class MeasureView {
  /** @param {Hearing} hearing */
  constructor(hearing) {
    this.hearing = hearing;
    this.node = byId("part-measure");
    /** @type {Inside | null} */
    this.inside = null;
    /** @type {string | null | undefined} what is shown; undefined: nothing */
    this.shown = undefined;
    /** @type {BenchView | null} */
    this.view = null;
    this.live = false;
  }

  /** @param {string | null} id empty: the list; `card:NAME`, `run:ID`, `leads` */
  open(id) {
    if (this.shown === id) return;
    this.inside?.close?.();
    this.shown = id;
    const [kind, ...rest] = (id ?? "").split(":");
    const name = rest.join(":");
    this.inside = kind === "card" ? new Setup(name, this.view) : kind === "run" ? new RunPart(name, this.hearing) : kind === "leads" ? new LeadsPart() : new Choice();
    const back = id ? el("a", { class: "like-button quiet back", href: "#measure" }, "◀ All measurements") : null;
    this.node.replaceChildren(...(back ? [back] : []), this.inside.node);
    this.node.hidden = false;
    if (this.view !== null) this.inside.update?.(this.view);
    this.inside.refresh?.(this.live);
  }

  close() {
    this.inside?.close?.();
    this.inside = null;
    this.shown = undefined;
    this.node.replaceChildren();
    this.node.hidden = true;
  }

  /** @param {BenchView} view */
  update(view) {
    this.view = view;
    this.inside?.update?.(view);
  }

  /** @param {string} kind @param {any} payload */
  event(kind, payload) {
    this.inside?.event?.(kind, payload);
  }

  reload() {
    return this.inside?.reload?.();
  }

  /** @param {boolean} live */
  refresh(live) {
    this.live = live;
    this.inside?.refresh?.(live);
  }
}
