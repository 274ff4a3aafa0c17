// The journal of the job on the bench, and a box for the technician's own words.

import { api } from "../shared/api.js";
import { byId, el, setText } from "../shared/dom.js";
import { begin, clock, percent, withUnit } from "../shared/format.js";
import { attempt } from "../shared/sheet.js";
import { caller, origin, rule, signature, why } from "../shared/words.js";

const SHOWN = 100;
const KEYS_SHOWN = 5;

export class Journal {
  constructor() {
    this.job = undefined;
    this.title = el("h2", {}, "Journal");
    this.list = el("ol", { class: "rows entries" });
    const fault = el("p", { class: "fault", role: "alert" });
    const text = el("textarea", { rows: 2, maxlength: 4000, "aria-label": "Note", placeholder: "What was seen, done, measured …", testid: "note" });
    const go = el("button", { type: "submit", testid: "note-go" }, "Note it");
    const form = el("form", { class: "note" }, text, go);
    form.addEventListener("submit", async (event) => {
      event.preventDefault();
      if (!text.value.trim()) return;
      if (await attempt(go, fault, () => api.note(this.job ?? null, text.value.trim()))) {
        text.value = "";
        await this.reload();
      }
    });
    byId("part-journal").append(el("div", { class: "part-head" }, this.title), form, fault, this.list);
  }

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
      this.list.replaceChildren(el("li", { class: "fault" }, fault.message));
    }
  }
}

function row(entry) {
  const words = sentence(entry);
  const trip = entry.kind === "trip" && entry.payload.trip;
  const to = trip ? `#trip/${trip}` : entry.trace ? `#trace/${encodeURIComponent(entry.trace)}` : null;
  const inside = to ? el("a", { href: to }, words) : el("span", {}, words);
  return el("li", { "data-kind": entry.kind, testid: "journal-entry" }, el("time", { class: "soft" }, clock(entry.t_ns)), inside);
}

function sentence({ kind, payload, supply, channel }) {
  const where = supply ? ` (${[supply, channel].filter((one) => one !== null && one !== undefined).join(" · ")})` : "";
  const text = payload.text ?? "";
  switch (kind) {
    case "note": return text;
    case "trace": return payload.finding ? `Trace: ${signature(payload.finding.signature)}, ${percent(payload.finding.confidence)}` : "Trace filed";
    case "finding": return payload.finding ? `Read again: ${signature(payload.finding.signature)}, ${percent(payload.finding.confidence)}` : "Read again";
    case "reference": return `Reference: ${text}`;
    case "mark": return `Mark by hand: ${text}`;
    case "trip": return `Trip: ${rule(payload.rule)}. ${begin(text)}`;
    case "output": return output(payload, where);
    case "link": return payload.up ? `Supply reached${where}` : `Supply not reached${where}: ${text}`;
    case "consent": return `Consent to unverified profile ${payload.profile} for ${payload.maker} ${payload.model}${where}, by ${payload.who || "somebody"}`;
    case "probe": case "leak": return `${kind === "probe" ? "Probe" : "Hold"}${where}: ${text}`;
    case "advance": return `Limit raised for the boot${where}${by(payload)}`;
    case "re-arm": return `Re-armed${where}${payload.rule ? ` after: ${rule(payload.rule)}` : ""}${by(payload)}`;
    case "plan": return plan(payload);
    case "promise": return `Protection${where}: ${text}`;
    case "quiet-hours": return `Quiet hours (${payload.hours}) ended it${where}`;
    case "settings": return settings(payload);
    case "job-created": return "Taken in";
    case "job-chosen": return "Put on the bench";
    default: return `${kind}: ${text || JSON.stringify(payload)}${where}`;
  }
}

function output({ output: state, reason, text, set_voltage_v: volts, limit_a: limit }, where) {
  const set = state === "on" && volts ? `: ${withUnit(volts, "V")}, limit ${withUnit(limit, "A")}` : "";
  return `Output ${state ?? ""}${where}${set}. ${(reason !== "trip" && begin(text)) || why(reason)}`;
}

const by = (payload) => (caller(payload.by) ? `, ${caller(payload.by)}` : "");

/** Old and new value of each key that changed, as in the plan's file. */
function plan({ name, origin: now, changed = [], before, after }) {
  if (!before) return `Plan ${name} made`;
  if (!after) return `Plan ${name} deleted`;
  const said = (value) => (value === undefined || value === null ? "none" : JSON.stringify(value));
  const more = changed.length - KEYS_SHOWN;
  const list = changed.slice(0, KEYS_SHOWN).map((key) => `${key} ${said(before[key])} → ${said(after[key])}`);
  return `Plan ${name} (${origin(now)}): ${list.join(", ") || "nothing changed"}${more > 0 ? ` and ${more} more` : ""}`;
}

function settings({ first, changed = [] }) {
  if (first) return "Settings kept for the first time";
  const more = changed.length - KEYS_SHOWN;
  return `Settings changed: ${changed.slice(0, KEYS_SHOWN).join(", ")}${more > 0 ? ` and ${more} more` : ""}`;
}
