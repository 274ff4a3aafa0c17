// All jobs: search by words, by state, by kind of board; and intake (`#jobs/new`, `#jobs/new-R-1042`).

import { messageOf } from "../shared/api.js";
import { button, byId, el, setText } from "../shared/dom.js";
import { clock } from "../shared/format.js";
import { intake } from "./intake.js";
import { jobApi } from "./jobapi.js";
import { STATES, state } from "./jobwords.js";
import { onlyLooks } from "./may.js";
import { refill } from "./refill.js";

/** @import { BenchView, Job } from "../shared/types.js" */

const AT_FIRST = 50;
const MOST = 1000;
const TYPING_MS = 200;

export class JobsView {
  constructor() {
    this.node = byId("part-jobs");
    this.isOpen = false;
    this.limit = AT_FIRST;
    /** @type {string | null | undefined} */
    this.onBench = undefined;
    this.text = el("input", { type: "search", autocomplete: "off", "aria-label": "Search jobs", placeholder: "Id, device, board, symptom …", testid: "jobs-search", on: { input: () => this.soon() } });
    this.state = el("select", { "aria-label": "State", testid: "jobs-state", on: { change: () => this.search() } },
      el("option", { value: "" }, "In every state"), ...Object.entries(STATES).map(([value, text]) => el("option", { value }, text)));
    this.list = el("ol", { class: "rows" });
    this.told = el("p", { class: "soft", role: "status" });
    this.more = button("More", () => {
      this.limit = Math.min(this.limit * 5, MOST);
      this.search();
    }, { class: "quiet" });
    this.search_ = [
      el("div", { class: "part-head" }, el("h2", {}, "All jobs"), el("a", { class: "like-button go", href: "#jobs/new", "data-changes": true, testid: "take-in" }, "Take a device in")),
      el("div", { class: "jobs-search" }, this.text, this.state), this.told, this.list, this.more,
    ];
  }

  /** @param {string | null} id */
  async open(id) {
    this.isOpen = true;
    this.node.hidden = false;
    this.asked = id;
    if (id?.startsWith("new")) {
      await this.takeIn(id);
      return;
    }
    this.node.replaceChildren(...this.search_);
    await this.search();
  }

  close() {
    this.isOpen = false;
    this.node.hidden = true;
    this.node.replaceChildren();
  }

  /** The intake form; what was typed is there again for whoever has looked at another view meanwhile. @param {string} asked */
  async takeIn(asked) {
    const { boards, next_id: next } = onlyLooks() ? { boards: [], next_id: "" } : await jobApi.choices().catch(() => ({ boards: [], next_id: "" }));
    if (this.asked !== asked || !this.isOpen) return;
    if (onlyLooks()) {
      this.node.replaceChildren(el("h2", {}, "Take a device in"), el("p", { testid: "only-operators" }, "Only operators take devices in. Sign in as one."));
      return;
    }
    if (this.draft?.asked !== asked) {
      const form = intake(asked.slice("new-".length), next, boards, () => { this.draft = null; });
      this.draft = { asked, form };
    }
    this.node.replaceChildren(el("a", { class: "like-button quiet back", href: "#jobs" }, "◀ All jobs"), el("h2", {}, "Take a device in"), this.draft.form);
  }

  /** @type {{ asked: string, form: HTMLElement } | null} */
  draft = null;

  /** @param {Pick<BenchView, "job">} view */
  update(view) {
    if (view.job === this.onBench) return;
    this.onBench = view.job;
    this.reload();
  }

  /** @param {string} kind */
  event(kind) {
    if (kind === "job") this.reload();
  }

  reload() {
    if (this.isOpen && this.list.isConnected) this.soon();
  }

  /** @type {string | null} */
  asked = null;
  /** @type {ReturnType<typeof setTimeout> | undefined} */
  timer;
  number = 0;

  soon() {
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.search(), TYPING_MS);
  }

  async search() {
    const number = ++this.number;
    const { limit } = this;
    try {
      const jobs = await jobApi.find({ text: this.text.value.trim() || null, state: this.state.value || null, limit });
      if (number !== this.number) return;
      refill(this.list, ...jobs.map((job) => row(job, job.id === this.onBench)));
      this.more.hidden = jobs.length < limit || limit >= MOST;
      const narrowed = this.text.value.trim() !== "" || this.state.value !== "";
      setText(this.told, jobs.length === 0 ? narrowed ? "No job fits. Fewer letters find more." : "No job yet. Take a device in, or scan its label."
        : this.more.hidden ? `${jobs.length} ${jobs.length === 1 ? "job" : "jobs"}` : `The newest ${jobs.length} of them`);
    } catch (fault) {
      if (number === this.number) refill(this.list, el("li", { class: "fault" }, messageOf(fault)));
    }
  }
}

/** @param {Job} job @param {boolean} here */
function row(job, here) {
  return el("li", {},
    el("a", { class: "job-row", href: `#job/${encodeURIComponent(job.id)}`, "data-key": job.id, testid: "job-row" },
      el("b", {}, job.id), el("span", { class: "state-chip", "data-state": job.state }, state(job.state)),
      el("span", { class: "job-words" }, [job.device, job.symptom].filter(Boolean).join(": ")),
      el("span", { class: "soft more" }, [job.board, clock(job.changed_ns || job.created_ns), here ? "✓ on the bench" : ""].filter(Boolean).join(" · "))));
}
