// What happened to a job, newest first; each step between the power-up before it and the one after.

import { api, messageOf } from "../shared/api.js";
import { button, el, setText } from "../shared/dom.js";
import { clock } from "../shared/format.js";
import { attempt } from "../shared/sheet.js";
import { dictation } from "./dictation.js";
import { jobApi } from "./jobapi.js";
import { pair } from "./minitrace.js";
import { refill } from "./refill.js";
import { sentence } from "./sentences.js";
import { sureButton } from "./sure.js";

/** @import { TimelineEntry } from "../shared/types.js" */

const AT_FIRST = 300;
const MOST = 5000;
/** What the bench itself does all day; a trip that switched off is told by itself. */
const BENCH_ONLY = new Set(["output", "link", "promise", "advance"]);

export class Timeline {
  constructor() {
    this.job = "";
    this.limit = AT_FIRST;
    this.shown = "";
    this.fault = el("p", { class: "fault", role: "alert" });
    this.list = el("ol", { class: "rows entries" });
    this.all = button("", () => {
      this.list.classList.toggle("everything");
      this.tellHidden();
    }, { class: "quiet", "aria-pressed": "false", testid: "everything" });
    this.more = button("Older entries", () => {
      this.limit = Math.min(this.limit * 5, MOST);
      this.reload();
    }, { class: "quiet", testid: "older" });
    this.node = el("section", { class: "job-part", "aria-label": "Journal of the job", testid: "timeline" },
      el("h3", {}, "Journal"), noteForm(() => this.job, () => this.reload(), "job-note"), this.fault, this.all, this.list, this.more);
    this.more.hidden = true;
    this.tellHidden();
  }

  /** @param {string} job */
  async show(job) {
    if (job !== this.job) {
      this.limit = AT_FIRST;
      this.shown = "";
      refill(this.list);
    }
    this.job = job;
    await this.reload();
  }

  async reload() {
    const { job, limit } = this;
    try {
      const found = await jobApi.timeline(job, limit);
      if (job !== this.job) return;
      // Pictures are drawn again only when something is new.
      const now = JSON.stringify([found.version, found.entries.length, found.entries.map((one) => [one.taken_back, one.before?.id, one.after?.id])]);
      if (now !== this.shown) refill(this.list, ...found.entries.map((entry) => this.row(entry)));
      this.shown = now;
      this.tellHidden();
      this.more.hidden = !found.more || limit >= MOST;
    } catch (fault) {
      if (job !== this.job) return;
      this.shown = "";
      refill(this.list, el("li", { class: "fault" }, messageOf(fault)));
    }
  }

  /** Entries of outputs and links are shown when asked for. */
  tellHidden() {
    const count = this.list.querySelectorAll(".bench-only").length;
    const everything = this.list.classList.contains("everything");
    this.all.hidden = count === 0;
    this.all.setAttribute("aria-pressed", String(everything));
    setText(this.all, `${everything ? "Hide" : "Show"} ${count} ${count === 1 ? "line" : "lines"} about outputs and links${everything ? "" : " too"}`);
  }

  /** @param {TimelineEntry} entry */
  row(entry) {
    const node = el("li", { class: BENCH_ONLY.has(entry.kind) ? "bench-only" : null, "data-kind": entry.kind, "data-taken-back": String(entry.taken_back), testid: "entry" },
      el("time", { class: "soft" }, clock(entry.t_ns)), words(entry));
    if (entry.kind === "step") node.append(...this.step(entry));
    return node;
  }

  /** @param {TimelineEntry} entry */
  step(entry) {
    if (entry.taken_back) return [el("p", { class: "soft" }, "Taken back: it counts as never done.")];
    const together = entry.with_steps.length
      ? [el("p", { class: "hint soft" }, "Other steps lie between the same two power-ups: which of them made the difference cannot be told.")] : [];
    const back = sureButton("Take back", "Entered by mistake? Press again", async (node) => {
      if (await attempt(node, this.fault, () => jobApi.takeBack(this.job, entry.seq))) await this.reload();
    }, { class: "quiet", "data-changes": true, "data-key": `back-${entry.seq}`, testid: "take-back" });
    const compared = entry.before && entry.after
      ? el("a", { class: "like-button quiet", href: `#compare/${[entry.before.id, entry.after.id].map(encodeURIComponent).join(",")}`, testid: "compare" }, "Compare") : null;
    return [pair(entry.before, entry.after), ...together, el("div", { class: "step-tools" }, compared, back)];
  }
}

/**
 * The sentence of an entry, as a link to its trace or trip where it has one.
 * @param {Pick<TimelineEntry, "kind" | "payload" | "trace" | "supply" | "channel">} entry
 */
export function words(entry) {
  const trip = entry.kind === "trip" && entry.payload.trip;
  const to = trip ? `#trip/${trip}` : entry.trace ? `#trace/${encodeURIComponent(entry.trace)}` : null;
  return to ? el("a", { href: to }, sentence(entry)) : el("span", {}, sentence(entry));
}

/**
 * A box for the technician's own words. `job()`: whose; `done()`: it is written.
 * @param {() => string | null} job
 * @param {() => unknown} done
 * @param {string} testid
 */
export function noteForm(job, done, testid) {
  const fault = el("p", { class: "fault", role: "alert" });
  const text = el("textarea", { rows: 2, maxlength: 4000, "aria-label": "Note", placeholder: "What was seen, done, measured …", testid });
  const go = el("button", { type: "submit", testid: `${testid}-go` }, "Note it");
  const form = el("form", { class: "note", "data-changes": true }, text, el("div", { class: "note-tools" }, go, dictation(text, fault)), fault);
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    if (!text.value.trim()) return;
    if (await attempt(go, fault, () => api.note(job(), text.value.trim()))) {
      text.value = "";
      await done();
    }
  });
  return form;
}
