// The journal of the job on the bench, or of the bench itself, beside the outputs.

import { api, messageOf } from "../shared/api.js";
import { byId, el, setText } from "../shared/dom.js";
import { clock } from "../shared/format.js";
import { noteForm, words } from "./timeline.js";

/** @import { BenchView, JournalEntry } from "../shared/types.js" */

const SHOWN = 100;

export class Journal {
  constructor() {
    /** @type {string | null | undefined} undefined: the bench was not heard yet */
    this.job = undefined;
    this.title = el("h2", {}, "Journal");
    this.list = el("ol", { class: "rows entries" });
    byId("part-journal").append(el("div", { class: "part-head" }, this.title), noteForm(() => this.job ?? null, () => this.reload(), "note"), this.list);
  }

  /** @param {Pick<BenchView, "job">} view */
  async update(view) {
    if (view.job === this.job) return;
    this.job = view.job;
    setText(this.title, this.job === null ? "Journal of the bench" : `Journal of ${this.job}`);
    await this.reload();
  }

  async reload() {
    const job = this.job ?? null;
    try {
      const entries = await api.journal(job, SHOWN);
      if (job === (this.job ?? null)) this.list.replaceChildren(...entries.map(row));
    } catch (fault) {
      this.list.replaceChildren(el("li", { class: "fault" }, messageOf(fault)));
    }
  }
}

/** @param {JournalEntry} entry */
function row(entry) {
  return el("li", { "data-kind": entry.kind, testid: "journal-entry" }, el("time", { class: "soft" }, clock(entry.t_ns)), words(entry));
}
