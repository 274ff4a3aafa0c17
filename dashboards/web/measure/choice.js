// All procedures, what is known of the leads, and the runs of late.

import { messageOf } from "../shared/api.js";
import { button, el } from "../shared/dom.js";
import { refill } from "../jobs/refill.js";
import { measureApi } from "./measureapi.js";
import { beganOrEnded } from "./measurewords.js";
import { runRows } from "./runrows.js";

/** @import { BenchView, ProcedureCard } from "../shared/types.js" */

const RUNS = 30;
const QUIET_MS = 500;

export class Choice {
  constructor() {
    this.cards = el("ul", { class: "rows measure-cards", testid: "procedures" });
    this.runs = el("div", {});
    this.fault = el("p", { class: "fault", role: "alert" });
    this.leads = el("p", { class: "soft", testid: "leads-state" });
    /** @type {string | null | undefined} undefined: not heard yet */
    this.job = undefined;
    this.all = false;
    this.which = button("", () => { this.all = !this.all; this.load(); }, { class: "quiet", testid: "runs-which" });
    this.node = el("div", { class: "measure" }, el("h2", { tabindex: "-1" }, "Measurements"), this.fault, this.cards,
      el("section", { "aria-label": "Leads" }, el("h3", {}, "Leads"), this.leads, el("a", { class: "like-button", href: "#measure/leads", testid: "leads" }, "Leads …")),
      el("section", { "aria-label": "Runs" }, el("div", { class: "part-head" }, el("h3", {}, "Runs"), this.which), this.runs));
    this.load();
  }

  /** @param {BenchView} view */
  update(view) {
    if (view.job === this.job) return;
    this.job = view.job;
    this.load();
  }

  /** @param {string} kind @param {any} payload */
  event(kind, payload) {
    if (!beganOrEnded(kind, payload) && kind !== "files") return;
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.load(), QUIET_MS);
  }

  /** @type {ReturnType<typeof setTimeout> | undefined} */
  timer;

  reload() {
    return this.load();
  }

  close() {
    clearTimeout(this.timer);
  }

  async load() {
    const job = this.all ? null : this.job ?? null;
    this.which.hidden = !this.job;
    this.which.textContent = this.all ? `Only of ${this.job}` : "Of all jobs";
    try {
      const [{ procedures, faults }, runs, leads] = await Promise.all([measureApi.procedures(), measureApi.runs({ job, limit: RUNS }), measureApi.leads()]);
      this.fault.textContent = faults.join("\n");
      refill(this.cards, ...procedures.map(row));
      refill(this.runs, runs.length ? runRows(runs) : el("p", { class: "soft" }, job ? `None of ${job} yet.` : "None yet."));
      const old = leads.now.filter((one) => one.old || one.leads === null);
      this.leads.textContent = old.length ? `⚠ To be measured: ${old.map(({ supply, channel }) => `${supply} · ${channel}`).join(", ")}` : "✓ All are known.";
    } catch (fault) {
      this.fault.textContent = messageOf(fault);
    }
  }
}

/** @param {ProcedureCard} card */
const row = (card) => el("li", {}, el("a", { class: "measure-card", href: `#measure/card:${encodeURIComponent(card.name)}`, "data-key": card.name, testid: `procedure-${card.name}` },
  el("b", {}, card.title, card.origin === "own" ? el("span", { class: "soft" }, " · your own") : null), el("span", {}, card.what),
  el("span", { class: "soft" }, `Needs: ${card.sides.map(({ title, text }) => (text ? `${title} (${text})` : title)).join("; ")}`)));
