// One job: what it is about, its steps, checks, photos and journal. Without an id: the job on the bench.

import { api, Fault, messageOf } from "../shared/api.js";
import { button, byId, el } from "../shared/dom.js";
import { beganOrEnded } from "../measure/measurewords.js";
import { attempt, closeSheet, showSheet } from "../shared/sheet.js";
import { about, urgent } from "./about.js";
import { Checklists } from "./checklists.js";
import { editJob } from "./edit.js";
import { jobApi } from "./jobapi.js";
import { STATES, state } from "./jobwords.js";
import { printLabel } from "./label.js";
import { Measurements } from "./measurements.js";
import { Photos } from "./photos.js";
import { focusKey, refill } from "./refill.js";
import { Steps } from "./steps.js";
import { Timeline } from "./timeline.js";

/** @import { BenchView, Job } from "../shared/types.js" */

/** What happens on the bench comes in bursts: looked at once it is quiet. */
const QUIET_MS = 400;
const KINDS = new Set(["trace", "trip", "journal", "job"]);

export class JobView {
  constructor() {
    this.node = byId("part-job");
    this.isOpen = false;
    /** @type {string | null} what the address says; null: the job on the bench */
    this.asked = null;
    /** @type {string | null | undefined} undefined: the bench was not heard yet */
    this.onBench = undefined;
    /** @type {Job | null} */
    this.job = null;
    this.timeline = new Timeline();
    this.photos = new Photos();
    this.measurements = new Measurements();
    this.checklists = new Checklists();
    this.steps = new Steps(() => this.timeline.reload());
    this.head = el("div", { class: "job-head" });
    this.about = el("section", { class: "job-part", "aria-label": "What it is about", testid: "about" });
    this.fault = el("p", { class: "fault", role: "alert" });
    this.body = el("div", { class: "job-body" }, this.steps.node,
      el("div", { class: "job-side" }, this.checklists.node, this.measurements.node, this.photos.node, this.about), this.timeline.node);
  }

  /** @param {string | null} id */
  open(id) {
    this.asked = id;
    this.isOpen = true;
    this.node.hidden = false;
    this.steps.forget();
    this.load();
  }

  close() {
    this.isOpen = false;
    this.node.hidden = true;
  }

  /** @param {Pick<BenchView, "job">} view */
  update(view) {
    if (view.job === this.onBench) return;
    this.onBench = view.job;
    if (this.isOpen) this.load();
  }

  /** @param {string} kind @param {any} payload */
  event(kind, payload) {
    if (!this.isOpen || !(KINDS.has(kind) || beganOrEnded(kind, payload))) return;
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.isOpen && this.load(), QUIET_MS);
  }

  /** The link is back: anything may have happened. */
  reload() {
    if (this.isOpen) this.load();
  }

  /** @type {ReturnType<typeof setTimeout> | undefined} */
  timer;

  get wanted() {
    return this.asked ?? this.onBench ?? null;
  }

  async load() {
    const id = this.wanted;
    if (id === null) {
      this.job = null;
      this.node.replaceChildren(...(this.onBench === undefined ? [el("p", { class: "soft" }, "Loading …")] : nothing()));
      return;
    }
    try {
      const job = await jobApi.get(id);
      if (id !== this.wanted || !this.isOpen) return;
      this.show(job);
    } catch (fault) {
      if (id !== this.wanted) return;
      this.job = null;
      this.node.replaceChildren(back(), el("p", { class: "fault", role: "alert" }, messageOf(fault)));
      return;
    }
    await Promise.all([this.timeline, this.checklists, this.measurements, this.photos, this.steps].map((part) => part.show(id)));
  }

  /** @param {Job} job */
  show(job) {
    this.job = job;
    refill(this.head, ...this.headOf(job));
    refill(this.about, ...about(job), button("Change …", () => this.edit(), { "data-changes": true, "data-key": "edit", testid: "edit" }));
    if (this.head.parentNode !== this.node || this.body.parentNode !== this.node) this.node.replaceChildren(back(), this.head, this.fault, this.body);
  }

  /** @param {Job} job */
  headOf(job) {
    const here = job.id === this.onBench;
    const use = here ? el("p", { class: "is-here", testid: "here" }, "✓ on the bench") : button("Put on the bench", (event) =>
      attempt(/** @type {HTMLButtonElement} */ (event.currentTarget), this.fault, () => api.chooseJob(job.id)), { class: "go", "data-changes": true, "data-key": "use", testid: "use" });
    const now = button("", () => this.chooseState(), { class: "state", "data-state": job.state, "data-key": "state", disabled: document.body.dataset.role === "viewer", testid: "state" });
    now.append(el("span", { class: "soft" }, "State"), el("b", {}, state(job.state)));
    return [
      el("h2", { tabindex: "-1" }, job.id, job.device ? el("span", { class: "device" }, job.device) : null),
      ...urgent(job), job.symptom ? el("p", { class: "symptom" }, job.symptom) : "",
      el("div", { class: "job-tools" }, now, use,
        button("Print label", () => printLabel(job.id), { "data-key": "label", testid: "label" }),
        button("Report …", () => report(job.id), { "data-key": "report", testid: "report" })),
    ];
  }

  async edit() {
    const { job } = this;
    if (job === null) return;
    editJob(job, await knownBoards(), (changed) => {
      if (this.job?.id === changed.id) this.show(changed);
    }, () => focusKey(this.about, "edit"));
  }

  chooseState() {
    const { job } = this;
    if (job === null) return;
    const fault = el("p", { class: "fault", role: "alert" });
    const pick = (/** @type {string} */ id, /** @type {string} */ text) => {
      const node = button(text, () => attempt(node, fault, async () => {
        await this.setState(job, id);
        closeSheet();
        focusKey(this.head, "state");
      }), { class: "pick", "aria-current": id === job.state ? "true" : null, "data-first": id === job.state, testid: `state-${id}` });
      return node;
    };
    showSheet(`Where does ${job.id} stand?`, el("div", { class: "sheet-body" }, fault, ...Object.entries(STATES).map(([id, text]) => pick(id, text))), "state-sheet");
  }

  /** @param {Job} job @param {string} to @returns {Promise<void>} */
  async setState(job, to) {
    try {
      const changed = await jobApi.setState(job.id, to, job.version);
      if (this.job?.id === changed.id) this.show(changed);
    } catch (fault) {
      if (!(fault instanceof Fault) || fault.code !== "stale" || !fault.present) throw fault;
      const { present } = fault;
      if (this.job?.id === present.id) this.show(present);
      // Another part of the job was changed, not its state: what was chosen still holds.
      if (present.state === job.state) return this.setState(present, to);
      throw new Error(`Somebody else set it to “${state(present.state)}” just before. Close this and look again.`);
    }
  }
}

/** To choose from; without them the field is typed. */
const knownBoards = () => jobApi.choices().then(({ boards }) => boards).catch(() => []);

const back = () => el("a", { class: "like-button quiet back", href: "#jobs" }, "◀ All jobs");

function nothing() {
  return [
    el("h2", {}, "No job is on the bench"),
    el("p", {}, "Power-ups are filed without a job until one is put there: scan its label, or choose it."),
    el("div", { class: "job-tools" },
      button("Choose a job", () => /** @type {HTMLButtonElement} */ (document.querySelector("button.job")).click(), { class: "go", testid: "choose" }),
      el("a", { class: "like-button", href: "#jobs/new", "data-changes": true }, "Take a device in"),
      el("a", { class: "like-button", href: "#jobs" }, "All jobs"),
      el("a", { class: "like-button", href: "#journal", testid: "bench-journal" }, "Journal of the bench")),
  ];
}

/** @type {[string, "reportAddress" | "reportFileAddress", string | undefined, string][]} */
const REPORTS = [
  ["For the workshop: page", "reportAddress", undefined, "report-page"],
  ["For the workshop: PDF", "reportFileAddress", undefined, "report-pdf"],
  ["For the customer: page", "reportAddress", "customer", "report-customer"],
  ["For the customer: PDF", "reportFileAddress", "customer", "report-customer-pdf"],
];

/** @param {string} id */
async function report(id) {
  const links = REPORTS.map(([text, , , testid]) => el("a", { class: "like-button", target: "_blank", rel: "noopener", testid }, text));
  const point = (/** @type {string | undefined} */ language) => REPORTS.forEach(([, address, reader], n) =>
    links[n].setAttribute("href", jobApi[address](id, { for: reader, language })));
  const language = el("select", { id: "report-language", testid: "report-language", on: { change: () => point(language.value) } });
  const choice = el("div", { class: "job-field", hidden: true }, el("label", { for: "report-language" }, "Language"), language);
  point(undefined);
  showSheet(`Report of ${id}`, el("div", { class: "sheet-body" },
    el("p", { class: "soft" }, "As it stands now. What is not ticked is in it as not done."), choice, ...links), "report-sheet");
  const known = await jobApi.languages().catch(() => []);
  // English first: what a report is in when nothing is chosen.
  known.sort((a, b) => Number(b.id === "en") - Number(a.id === "en"));
  language.append(...known.map((one) => el("option", { value: one.id, lang: one.id }, one.name)));
  choice.hidden = known.length < 2;
}
