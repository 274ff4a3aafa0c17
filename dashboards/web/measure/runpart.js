// One run: while it goes on, and what came of it.

import { messageOf } from "../shared/api.js";
import { el } from "../shared/dom.js";
import { measureApi } from "./measureapi.js";
import { Results } from "./results.js";
import { Running } from "./running.js";

/** @import { Hearing } from "../bench/hearing.js" */
/** @import { BenchView, ProcedureView, RunView } from "../shared/types.js" */

const QUIET_MS = 300;

export class RunPart {
  /** @param {string} id @param {Hearing} hearing */
  constructor(id, hearing) {
    this.id = id;
    this.hearing = hearing;
    this.closed = false;
    this.live = false;
    /** @type {RunView | null} */
    this.found = null;
    /** @type {ProcedureView | null} as the bench tells it, newer than what was asked for */
    this.now = null;
    /** @type {Running | null} */
    this.running = null;
    /** @type {Results | null} */
    this.results = null;
    this.node = el("div", { class: "measure", testid: "run" }, el("p", { class: "soft" }, "Loading …"));
    this.load();
  }

  /** @type {ReturnType<typeof setTimeout> | undefined} */
  timer;

  /** @param {BenchView} view */
  update(view) {
    const now = (view.procedures ?? []).find(({ run }) => run === this.id) ?? null;
    const ended = this.now !== null && now === null;
    const back = this.now === null && now !== null && this.found !== null;
    this.now = now;
    if (now !== null) this.running?.update(now);
    if (ended || back) this.soon();
  }

  /** @param {string} kind @param {any} payload */
  event(kind, payload) {
    if (kind === "procedure" && payload?.run === this.id) this.soon();
  }

  /** However many moments come, it is asked for so often. */
  soon() {
    this.timer ??= setTimeout(() => {
      this.timer = undefined;
      this.load();
    }, QUIET_MS);
  }

  reload() {
    return this.load();
  }

  /** @param {boolean} live */
  refresh(live) {
    this.live = live;
    this.running?.refresh(live);
  }

  close() {
    this.closed = true;
    clearTimeout(this.timer);
    this.running?.close();
    this.results?.close();
  }

  async load() {
    try {
      const found = await measureApi.run(this.id);
      if (!this.closed) this.show(found);
    } catch (fault) {
      if (this.found === null) this.node.replaceChildren(el("p", { class: "fault", role: "alert" }, messageOf(fault)));
    }
  }

  /** @param {RunView} found */
  show(found) {
    this.found = found;
    const { run, now } = found;
    if (now !== null) {
      this.results?.close();
      this.results = null;
      if (this.running === null) {
        this.running = new Running(run, this.hearing);
        this.node.replaceChildren(this.running.node);
      }
      this.running.update(this.now ?? now);
      this.running.points.show(run);
      this.running.refresh(this.live);
      return;
    }
    const was = this.running !== null;
    this.running?.close();
    this.running = null;
    this.results?.close();
    this.results = new Results(found, (changed) => this.show(changed));
    this.node.replaceChildren(this.results.node);
    // Who watched it end is told so, and goes on from there.
    if (was) /** @type {HTMLElement | null} */ (this.results.node.querySelector("h2"))?.focus({ preventScroll: true });
  }
}
