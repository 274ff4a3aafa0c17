// Over every view: that a run goes on, and the way to it.

import { el, setText } from "../shared/dom.js";

/** @import { BenchView } from "../shared/types.js" */

export class RunStrip {
  /** @param {HTMLElement} node */
  constructor(node) {
    this.node = node;
    /** @type {Map<string, HTMLAnchorElement>} */
    this.links = new Map();
  }

  /** @param {BenchView} view */
  update(view) {
    const runs = view.procedures ?? [];
    for (const [id, link] of this.links) {
      if (runs.some(({ run }) => run === id)) continue;
      link.remove();
      this.links.delete(id);
    }
    for (const { run, title, question } of runs) {
      let link = this.links.get(run);
      if (link === undefined) {
        link = el("a", { class: "like-button run-strip", href: `#measure/run:${encodeURIComponent(run)}`, testid: "run-strip" });
        this.links.set(run, link);
        this.node.append(link);
      }
      setText(link, `▶ ${title}: ${question ? "waits for an answer" : "goes on"}`);
    }
    this.node.hidden = runs.length === 0;
  }
}
