// The job on the bench: shown at the top, changed by one tap or one scan of a label, in every view.

import { api } from "../shared/api.js";
import { button, el, setText } from "../shared/dom.js";
import { say } from "../shared/said.js";
import { attempt, closeSheet, showSheet } from "../shared/sheet.js";
import { jobApi } from "./jobapi.js";
import { DONE, state } from "./jobwords.js";
import { LastScan } from "./scan.js";
import { listenForScans } from "./scanning.js";

/** @import { BenchView, Job } from "../shared/types.js" */

const SHOWN = 30;
const TYPING_MS = 200;
/** Another tablet's choice so soon after ours is told, not only shown. */
const JUST_NOW_MS = 10_000;

export class Jobs {
  constructor() {
    /** @type {string | null} */
    this.current = null;
    /** @type {Job | null} what is known of it */
    this.job = null;
    /** @type {{ id: string | null, atMs: number } | null} what this page chose last */
    this.chosen = null;
    this.button = /** @type {HTMLButtonElement} */ (document.querySelector("button.job"));
    this.button.addEventListener("click", () => this.choose());
    this.scans = new LastScan((text, last) => this.scanned(text, last));
    listenForScans(async (text) => {
      const outcome = await this.scans.take(text);
      if (outcome !== null) say(outcome.words);
    });
  }

  /** @param {Pick<BenchView, "job">} view */
  update(view) {
    const { chosen } = this;
    if (view.job !== this.current && chosen && view.job !== chosen.id && this.current === chosen.id && performance.now() - chosen.atMs < JUST_NOW_MS) {
      say(`${view.job ?? "No job"} is on the bench now: chosen elsewhere, just after your ${chosen.id ?? "choice"}.`);
    }
    if (view.job === this.current) return;
    this.current = view.job;
    this.show();
    this.reload();
  }

  show() {
    const known = this.job !== null && this.job.id === this.current ? this.job : null;
    setText(/** @type {Node} */ (this.button.querySelector("b")), this.current ?? "no job");
    setText(/** @type {Node} */ (this.button.querySelector(".soft")), known?.device || "On the bench");
  }

  async reload() {
    const { current } = this;
    if (current !== null) this.job = await jobApi.get(current).catch(() => this.job);
    if (current === this.current) this.show();
  }

  /** The sheet where it is chosen, while that is open. @type {HTMLElement | undefined} */
  sheet;

  /** @param {string | null} id */
  async put(id) {
    this.chosen = { id, atMs: performance.now() };
    await api.chooseJob(id);
  }

  /**
   * A label was scanned, or an id typed: a known job comes on the bench, for another the sheet asks.
   * @param {string} text
   * @param {() => boolean} last
   */
  async scanned(text, last) {
    const { id, job } = await jobApi.byLabel(text);
    if (!last()) return "";
    if (job === null) {
      await this.choose(id);
      return `${id} is not known yet. Take it in, or scan again.`;
    }
    await this.put(job.id);
    if (this.sheet?.isConnected) closeSheet();
    return `${[job.id, job.device].filter(Boolean).join(", ")} is on the bench.${DONE.has(job.state) ? ` Mind: it stands as “${state(job.state)}”.` : ""}`;
  }

  /** The sheet: scan, type, or tap. @param {string} [typed] */
  async choose(typed = "") {
    const fault = el("p", { class: "fault", role: "alert" });
    const list = el("div", { class: "rows" });
    const id = el("input", { id: "job-id", name: "id", value: typed, required: true, "data-first": true, maxlength: 300, autocomplete: "off", autocapitalize: "characters", testid: "job-id" });
    const go = el("button", { type: "submit", class: "go", testid: "job-go", "data-changes": true }, "Put on the bench");
    const form = el("form", { class: "fields" }, el("label", { for: "job-id" }, "Scan the label, or type the job's id or some words"), id, fault, go);
    form.addEventListener("submit", async (event) => {
      event.preventDefault();
      id.select(); // the next scan takes the place of this one
      setText(fault, "");
      const outcome = await this.scans.take(id.value.trim());
      if (outcome?.failed && fault.isConnected) setText(fault, outcome.words);
      else if (outcome) say(outcome.words);
    });
    let timer = setTimeout(() => {}, 0);
    id.addEventListener("input", () => {
      clearTimeout(timer);
      timer = setTimeout(() => this.fill(list, fault, id.value.trim()), TYPING_MS);
    });
    this.sheet = el("div", { class: "sheet-body" }, form, list);
    showSheet("Which job is on the bench?", this.sheet, "job-sheet");
    id.select();
    if (typed) offerIntake(list, typed);
    else await this.fill(list, fault, "");
  }

  /** What fits to the words typed so far. @param {HTMLElement} list @param {HTMLElement} fault @param {string} text */
  async fill(list, fault, text) {
    const jobs = await jobApi.find({ text: text || null, limit: SHOWN }).catch(() => []);
    const none = text ? [] : [this.pick(null, "No job", "traces are filed without one", fault)];
    list.replaceChildren(...jobs.map((job) => this.pick(job.id, job.id, [job.device, job.symptom].filter(Boolean).join(": "), fault)), ...none);
  }

  /** @param {string | null} id @param {string} text @param {string} more @param {HTMLElement} fault */
  pick(id, text, more, fault) {
    const node = button("", () => attempt(node, fault, async () => {
      await this.put(id);
      closeSheet();
    }), { class: "pick", "aria-current": id === this.current ? "true" : null, "data-changes": true, testid: "pick" });
    node.append(el("b", {}, text), el("span", { class: "soft" }, more));
    return node;
  }

}

/** @param {HTMLElement} list @param {string} id */
function offerIntake(list, id) {
  const fault = el("p", { class: "fault", role: "alert" });
  const bare = button(`Put ${id} on the bench, and say more later`, () => attempt(bare, fault, async () => {
    await jobApi.create({ id });
    await api.chooseJob(id);
    closeSheet();
  }), { "data-changes": true, testid: "take-in-bare" });
  list.replaceChildren(
    fault, bare,
    button(`Take ${id} in …`, () => {
      closeSheet();
      location.hash = `#jobs/new-${encodeURIComponent(id)}`;
    }, { class: "go", "data-changes": true, testid: "take-in-new" }));
}
