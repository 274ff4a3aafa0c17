// A view whose code comes when it is first looked at: the bench itself is on the screen sooner.

import { say } from "./said.js";

/** @import { BenchView } from "./types.js" */
/** @import { Part } from "../main.js" */

export class LazyView {
  /** @param {() => Promise<Part>} load brings the code and makes the view */
  constructor(load) {
    this.load = load;
    this.loading = false;
    /** @type {Part | null} */
    this.part = null;
    /** What it is opened with, while it is looked at. @type {{ id: string | null } | null} */
    this.wanted = null;
    /** @type {BenchView | null} */
    this.view = null;
    this.live = false;
  }

  /** @param {string | null} id */
  open(id) {
    this.wanted = { id };
    if (this.part !== null) this.part.open?.(id);
    else if (!this.loading) this.bring();
  }

  close() {
    this.wanted = null;
    this.part?.close?.();
  }

  async bring() {
    this.loading = true;
    try {
      const part = await this.load();
      if (this.view !== null) part.update?.(this.view);
      part.refresh?.(this.live);
      this.part = part;
      if (this.wanted !== null) part.open?.(this.wanted.id);
    } catch {
      say("This part of the page could not be brought: the bench does not answer. Open it again when the link is back.");
    } finally {
      this.loading = false;
    }
  }

  /** @param {BenchView} view */
  update(view) {
    this.view = view;
    this.part?.update?.(view);
  }

  /** @param {string} kind @param {any} payload */
  event(kind, payload) {
    this.part?.event?.(kind, payload);
  }

  /** After a connection: what was missed, and what could not be brought before. */
  reload() {
    if (this.part !== null) return this.part.reload?.();
    if (this.wanted !== null && !this.loading) return this.bring();
    return undefined;
  }

  /** @param {boolean} live */
  refresh(live) {
    this.live = live;
    this.part?.refresh?.(live);
  }
}
