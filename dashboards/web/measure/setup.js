// A procedure before its run: outputs, figures, what it will set at most, cautions, start.

import { Fault, messageOf } from "../shared/api.js";
import { button, el } from "../shared/dom.js";
import { attempt } from "../shared/sheet.js";
import { onlyLooks } from "../jobs/may.js";
import { measureApi } from "./measureapi.js";
import { beganOrEnded, hintOf, lasting, mostText, parametersOf, placed } from "./measurewords.js";
import { runAddress } from "./runrows.js";

/** @import { BenchView, MostSet, ParameterView, ProcedureCard, SideOf } from "../shared/types.js" */
/** @typedef {HTMLInputElement | HTMLSelectElement} Control */

const QUIET_MS = 350;

export class Setup {
  /** @param {string} name @param {BenchView | null} view */
  constructor(name, view) {
    this.name = name;
    this.view = view;
    /** @type {ProcedureCard | null} */
    this.card = null;
    this.built = this.closed = false;
    this.asking = 0;
    /** @type {Map<string, Control>} */
    this.controls = new Map();
    /** @type {Map<string, HTMLElement>} */
    this.places = new Map();
    /** @type {Map<string, { output: HTMLSelectElement, plan: HTMLSelectElement }>} */
    this.sides = new Map();
    this.fault = el("p", { class: "fault block-lines", role: "alert", testid: "setup-fault" });
    this.most = el("div", { class: "measure-most", role: "status", testid: "most" }, el("p", { class: "soft" }, "Being looked at …"));
    this.accept = el("input", { type: "checkbox", testid: "accept", on: { change: () => this.mayStart() } });
    this.start = button("Start", () => this.begin(), { class: "go measure-start", disabled: true, "data-changes": true, testid: "start-run" });
    this.free = false;
    this.node = el("div", { class: "measure" }, el("p", { class: "soft" }, "Loading …"));
    this.load();
  }

  /** @type {ReturnType<typeof setTimeout> | undefined} */
  timer;

  async load() {
    try {
      this.card = await measureApi.procedure(this.name);
      this.build();
    } catch (fault) {
      this.node.replaceChildren(el("p", { class: "fault", role: "alert" }, messageOf(fault)));
    }
  }

  /** @param {BenchView} view */
  update(view) {
    this.view = view;
    this.build();
  }

  /** Another run has begun or ended, or the link is back. */
  reload() {
    if (!this.built) this.load();
    else if (!onlyLooks()) this.check();
  }

  /** @param {string} kind @param {any} payload */
  event(kind, payload) {
    if (this.built && !onlyLooks() && (beganOrEnded(kind, payload) || ["output", "trip"].includes(kind))) this.soon();
  }

  close() {
    this.closed = true;
    clearTimeout(this.timer);
  }

  build() {
    const { card, view } = this;
    if (this.built || card === null || view === null) return;
    this.built = true;
    const cautions = card.cautions.length ? el("section", { class: "finding", "aria-label": "Cautions" }, el("h3", {}, "Read before it begins"),
      el("ul", { class: "cautions" }, ...card.cautions.map((text) => el("li", {}, text))), el("label", { class: "tick", "data-changes": true }, this.accept, "I have read this, and it is so.")) : null;
    this.node.replaceChildren(el("h2", { tabindex: "-1" }, card.title), el("p", {}, card.what),
      ...(view.channels.length < card.sides.length ? [el("p", { class: "fault" }, `It takes ${card.sides.length} outputs, and this bench has ${view.channels.length}.`)] : []),
      el("form", { class: "measure-form", on: { input: () => this.soon(), change: () => this.soon(), submit: (event) => event.preventDefault() } },
        ...card.sides.map((side, n) => this.side(side, n, view)),
        card.parameters.length ? el("fieldset", {}, el("legend", {}, "Figures"), el("div", { class: "plan-fields" }, ...card.parameters.map((one) => this.parameter(one)))) : null),
      el("details", {}, el("summary", {}, "What it does, step by step"), el("ol", { class: "steps" }, ...card.steps.map((text) => el("li", {}, text)))),
      el("section", { class: "finding", "aria-label": "What it will set at most" }, el("h3", {}, "What it will set at most"), this.most),
      ...(cautions ? [cautions] : []), this.fault, this.start);
    if (onlyLooks()) this.lookOnly();
    else this.check();
  }

  /** Who may only look sees what it is, and cannot set it up. */
  lookOnly() {
    for (const set of this.node.querySelectorAll("fieldset")) set.disabled = true;
    this.most.replaceChildren(el("p", { class: "soft", testid: "look-only" }, "You may look only: an operator sets it up and starts it."));
  }

  /** @param {SideOf} side @param {number} n @param {BenchView} view */
  side(side, n, view) {
    const outputs = view.channels.map(({ supply, channel }) => ({ id: JSON.stringify([supply, channel]), text: `${supply} · ${channel}` }));
    const output = el("select", { id: `side-${side.role}`, testid: `side-${side.role}` }, ...outputs.map(({ id, text }, at) => el("option", { value: id, selected: at === Math.min(n, outputs.length - 1) }, text)));
    const wanted = side.plan || this.card?.plan;
    const plan = el("select", { id: `plan-${side.role}`, testid: `plan-${side.role}` }, el("option", { value: "" }, wanted ? `What it wants: ${wanted}` : "The output's own"),
      ...view.plans.map((one) => el("option", { value: one.name }, one.title ? `${one.title} (${one.name})` : one.name)));
    this.sides.set(side.role, { output, plan });
    return el("fieldset", {}, el("legend", {}, side.title), side.text ? el("p", { class: "hint soft" }, `Connect: ${side.text}`) : null,
      el("div", { class: "plan-fields" }, el("div", { class: "plan-field" }, el("label", { for: output.id }, "Output"), output),
        el("div", { class: "plan-field" }, el("label", { for: plan.id }, "Power plan"), plan)));
  }

  /** @param {ParameterView} one */
  parameter(one) {
    const id = `parameter-${one.name}`;
    const usual = typeof one.default === "number" || typeof one.default === "string" ? String(one.default) : "";
    const common = { id, testid: id, "aria-describedby": `hint-${id} fault-${id}` };
    /** @type {Control} */
    const control = one.kind === "choice" ? el("select", common, ...(one.needed || usual === "" ? [el("option", { value: "" }, "–")] : []), ...one.choices.map((value) => el("option", { value, selected: value === usual }, value)))
      : one.kind === "bool" ? el("input", { ...common, type: "checkbox", checked: one.default === true })
        : el("input", { ...common, value: usual, autocomplete: "off", inputmode: one.kind === "number" ? "decimal" : null, maxlength: one.kind === "number" ? 20 : 1000 });
    const fault = el("p", { class: "fault", id: `fault-${id}` });
    this.controls.set(one.name, control);
    this.places.set(one.name, fault);
    const label = el("label", { for: id }, one.title);
    const hint = el("p", { class: "hint soft", id: `hint-${id}` }, hintOf(one));
    if (one.kind === "bool") return el("div", { class: "plan-field" }, el("label", { class: "tick" }, control, one.title), hint, fault);
    return el("div", { class: "plan-field" }, label, one.unit ? el("div", { class: "with-unit" }, control, el("span", { class: "unit" }, one.unit)) : control, hint, fault);
  }

  soon() {
    this.free = false;
    this.mayStart();
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.check(), QUIET_MS);
  }

  mayStart() {
    this.start.disabled = !this.free || (Boolean(this.card?.cautions.length) && !this.accept.checked);
  }

  /** @returns {[import("./measureapi.js").Asked, Record<string, string>]} */
  get asked() {
    const sides = [...this.sides].map(([role, { output, plan }]) => {
      const [supply, channel] = JSON.parse(output.value || '["", 1]');
      return { role, supply, channel, plan: plan.value || null };
    });
    const shown = Object.fromEntries([...this.controls].map(([name, control]) => [name, control instanceof HTMLInputElement && control.type === "checkbox" ? control.checked : control.value]));
    const [parameters, faults] = parametersOf(this.card?.parameters ?? [], shown);
    return [{ sides, parameters }, faults];
  }

  async check() {
    const asking = ++this.asking;
    const [asked, faults] = this.asked;
    this.free = false;
    this.mayStart();
    if (Object.keys(faults).length) {
      this.tellMost([], null);
      return this.point(faults);
    }
    try {
      const found = await measureApi.check(this.name, asked);
      if (asking !== this.asking || this.closed) return undefined;
      this.tellMost(found.faults.length ? [] : found.most, found.seconds);
      this.showUsed(found.parameters);
      this.free = found.faults.length === 0;
      this.point(placed(found.faults, this.card?.parameters ?? []));
    } catch (fault) {
      if (asking !== this.asking) return undefined;
      this.tellMost([], null);
      const where = fault instanceof Fault ? fault.where?.split(".").pop() ?? "" : "";
      this.point({ [this.places.has(where) ? where : ""]: messageOf(fault) });
    }
    return this.mayStart();
  }

  /** What empty fields come to, in them. @param {Record<string, unknown>} used */
  showUsed(used) {
    for (const [name, control] of this.controls) {
      const value = used[name];
      if (control instanceof HTMLInputElement && control.type !== "checkbox") control.placeholder = typeof value === "number" ? String(Number(value.toPrecision(4))) : "";
    }
  }

  /** What was told before is not so any more. @param {MostSet[]} most nothing: there are faults @param {number | null} seconds */
  tellMost(most, seconds) {
    const length = seconds === null ? "How long it takes cannot be told." : `Takes ${lasting(seconds)} at most.`;
    this.most.replaceChildren(...(most.length ? [el("ul", {}, ...most.map((one) => el("li", {}, mostText(one))))] : []),
      el("p", { class: "soft" }, most.length ? length : "Not to be told as it stands: see what is wrong, in red."));
  }

  /** @param {Record<string, string>} faults by parameter; "" for the whole */
  point(faults) {
    for (const [name, place] of this.places) {
      place.textContent = faults[name] ?? "";
      const control = this.controls.get(name);
      if (faults[name]) control?.setAttribute("aria-invalid", "true");
      else control?.removeAttribute("aria-invalid");
    }
    this.fault.textContent = faults[""] ?? "";
  }

  async begin() {
    const [asked] = this.asked;
    await attempt(this.start, this.fault, async () => {
      try {
        const { run } = await measureApi.begin(this.name, asked, this.accept.checked);
        location.hash = runAddress(run);
      } catch (fault) {
        if (fault instanceof Fault && fault.code === "cautions" && Array.isArray(fault.present)) throw new Error(`${fault.message} ${fault.present.join(" ")}`);
        throw fault;
      }
    });
    this.mayStart();
  }
}
