// What the leads of each output have, how old that is, and a value that was measured elsewhere.

import { messageOf } from "../shared/api.js";
import { nowMs } from "../shared/clock.js";
import { el } from "../shared/dom.js";
import { age, begin, clock, typedNumber, withUncertainty } from "../shared/format.js";
import { attempt } from "../shared/sheet.js";
import { measureApi } from "./measureapi.js";
import { beganOrEnded, otherSets } from "./measurewords.js";
import { runAddress } from "./runrows.js";

/** @import { Leads, LeadSet, LeadView } from "../shared/types.js" */

/** @type {Record<string, string>} */
const ORIGINS = { measured: "measured", typed: "typed in", settings: "from the settings", "": "not known" };

export class LeadsPart {
  constructor() {
    this.now = el("ul", { class: "rows", testid: "leads-now" });
    this.kept = el("ul", { class: "entries", testid: "leads-kept" });
    this.fault = el("p", { class: "fault", role: "alert" });
    this.output = el("select", { id: "lead-output", testid: "lead-output" });
    this.name = el("input", { id: "lead-name", maxlength: 64, autocomplete: "off", testid: "lead-name" });
    this.ohm = number("lead-ohm");
    this.u = number("lead-u");
    this.celsius = number("lead-celsius");
    this.keep = el("button", { type: "submit", class: "go", "data-changes": true, testid: "lead-keep" }, "Keep it");
    this.node = el("div", { class: "measure" }, el("h2", { tabindex: "-1" }, "Leads"),
      el("p", {}, "What the leads of an output have, there and back, contacts included. Voltage at the board, resistances and findings go by it."),
      this.now, el("a", { class: "like-button go", href: "#measure/card:lead-resistance", "data-changes": true }, "Measure leads …"),
      el("details", { "data-changes": true }, el("summary", {}, "Type in what was measured elsewhere"), el("form", { class: "measure-form", on: { submit: (event) => this.type(event) } },
        el("div", { class: "plan-fields" }, field("Output", this.output), field("Lead set (empty: the usual one)", this.name), field("Resistance", this.ohm, "Ω"),
          field("Uncertainty, 95 %", this.u, "Ω"), field("Room (may be empty)", this.celsius, "°C")), this.fault, this.keep)),
      el("h3", {}, "Measured or typed before"), this.kept);
    this.load();
  }

  /** @param {string} kind @param {any} payload */
  event(kind, payload) {
    if (beganOrEnded(kind, payload) || kind === "journal") this.load();
  }

  reload() {
    return this.load();
  }

  async load() {
    try {
      this.show(await measureApi.leads());
    } catch (fault) {
      this.fault.textContent = messageOf(fault);
    }
  }

  /** @param {Leads} leads */
  show({ now, kept }) {
    const had = this.output.value;
    this.output.replaceChildren(...now.map(({ supply, channel }) => el("option", { value: JSON.stringify([supply, channel]) }, `${supply} · ${channel}`)));
    if (had) this.output.value = had;
    this.now.replaceChildren(...now.map((view) => row(view, this.others(view, kept))));
    this.kept.replaceChildren(...kept.map(entry));
  }

  /** A button for each other set of leads that was measured for an output. @param {LeadView} view @param {LeadSet[]} kept */
  others({ supply, channel, leads }, kept) {
    return otherSets(supply, channel, leads, kept).map((name) => {
      const put = el("button", { type: "button", "data-changes": true, testid: "lead-put-on", on: { click: () => attempt(put, this.fault, async () => this.show(await measureApi.putOn(supply, channel, name))) } },
        `Put on: ${name || "the usual leads"}`);
      return put;
    });
  }

  /** @param {SubmitEvent} event */
  async type(event) {
    event.preventDefault();
    const [ohm, u, celsius] = [this.ohm, this.u, this.celsius].map((one) => typedNumber(one.value));
    await attempt(this.keep, this.fault, async () => {
      if (ohm === null || Number.isNaN(ohm) || u === null || Number.isNaN(u)) throw new Error("Resistance and uncertainty in Ω are needed, for example 0.084 and 0.002.");
      if (Number.isNaN(celsius)) throw new Error(`${this.celsius.value}: not a temperature. Write for example 21.5, or leave it empty.`);
      const [supply, channel] = JSON.parse(this.output.value);
      this.show(await measureApi.typeLeads({ supply, channel, name: this.name.value.trim(), ohm, u_ohm: u, celsius }));
      for (const one of [this.ohm, this.u, this.celsius, this.name]) one.value = "";
    });
  }
}

/** @param {string} id */
const number = (id) => el("input", { id, inputmode: "decimal", autocomplete: "off", maxlength: 20, testid: id });

/** @param {string} words @param {HTMLElement} control @param {string} [unit] */
const field = (words, control, unit) => el("div", { class: "plan-field" }, el("label", { for: control.id }, words),
  unit ? el("div", { class: "with-unit" }, control, el("span", { class: "unit" }, unit)) : control);

/** @param {LeadSet} leads */
const figure = (leads) => withUncertainty(leads.ohm, leads.u_ohm, "Ω");

/** @param {LeadView} view @param {HTMLElement[]} others */
function row({ supply, channel, leads, origin, text, old }, others) {
  const known = leads !== null ? `${ORIGINS[origin] ?? origin}${leads.t_ns ? `, ${age((nowMs() - leads.t_ns / 1e6) / 1000)} ago` : ""}${leads.name ? ` · ${leads.name}` : ""}${leads.celsius === null ? "" : ` · ${leads.celsius} °C`}${leads.sense === "remote" ? " · remote sense" : ""}` : "";
  return el("li", { class: "finding", testid: "lead-row" }, el("h3", {}, `${supply} · ${channel}`),
    el("p", { class: "verdict" }, leads === null ? "? not known" : figure(leads)), known ? el("p", { class: "soft" }, known) : null,
    text ? el("p", {}, old ? "⚠ " : "", begin(text)) : old ? el("p", {}, "⚠ Time to measure them again.") : null,
    others.length ? el("div", { class: "actions" }, ...others) : null);
}

/** @param {LeadSet} leads */
const entry = (leads) => el("li", {}, el("time", { class: "soft" }, clock(leads.t_ns)),
  el("span", {}, `${leads.supply} · ${leads.channel}${leads.name ? `, ${leads.name}` : ""}${leads.sense === "remote" ? ", with sense leads" : ""}: ${figure(leads)}`,
    " ", leads.run ? el("a", { class: "reach", href: runAddress(leads.run) }, "the run") : null));
