// The sheet before power goes on: which plan, what it does in which order, and what to look at first.

import { api, Fault } from "../shared/api.js";
import { button, el } from "../shared/dom.js";
import { typedNumber, withUnit } from "../shared/format.js";
import { planFacts, planStages } from "../shared/planwords.js";
import { attempt, closeSheet, showSheet } from "../shared/sheet.js";
import { CAUTIONS, origin } from "../shared/words.js";
import { askConsent } from "./consent.js";

/** @import { BenchView, ChannelView, PlanView } from "../shared/types.js" */
/** A plan as far as it is shown. @typedef {Pick<PlanView, "name" | "origin" | "values" | "cautions">} PlanShown */
/** A plan's keys, its name among them. @typedef {Record<string, any>} PlanValues */

/**
 * Ask for a plan and switch on; before that for consent, where the supply's profile wants it.
 * @param {ChannelView} channel
 * @param {BenchView | null} bench
 */
export function askPower(channel, bench) {
  if (channel.consent_key) {
    askConsent(channel, () => askPower({ ...channel, consent_key: "" }, bench));
    return;
  }
  new PowerSheet(channel, bench).show();
}

class PowerSheet {
  /** @param {ChannelView} channel @param {BenchView | null} bench */
  constructor(channel, bench) {
    const plans = bench?.plans ?? [];
    /** As it is looked at. */
    this.channel = channel;
    /** The keys are here already; origin and cautions come in a moment. @type {Map<string, PlanShown>} */
    this.views = new Map(plans.map((values) => [values.name, { name: values.name, origin: "", values, cautions: [] }]));
    this.fault = el("p", { class: "fault", role: "alert" });
    this.go = button("Power on", () => this.powerOn(), { class: "go stay", testid: "power-on-confirm", "data-changes": true });
    this.form = el("form", { class: "plans", on: { submit: (event) => event.preventDefault(), change: () => this.choose() } },
      ...choices(channel, plans));
    this.about = el("div", { class: "about", testid: "plan-about" });
    this.more = el("div", { class: "about", testid: "plan-more" });
    this.cautions = el("ul", { class: "cautions", testid: "cautions" });
    this.open = openChecks(bench?.checks_open ?? []);
    this.less = ["voltage_v", "limit_a"].map((name) =>
      el("input", { name, id: `less-${name}`, inputmode: "decimal", autocomplete: "off", testid: `less-${name}` }));
  }

  show() {
    const { channel } = this;
    const [volts, amps] = this.less;
    const notes = channel.notes?.length
      ? el("details", {}, el("summary", {}, "About this supply …"),
        el("ul", {}, el("li", { class: "soft" }, `Profile ${channel.profile}`), ...channel.notes.map((text) => el("li", {}, text))))
      : null;
    this.tell();
    showSheet(`Power on ${channel.supply} · output ${channel.channel}`,
      el("div", { class: "sheet-body" }, this.form, this.about, this.open, this.cautions, this.more,
        el("details", {}, el("summary", {}, "With less than the plan …"),
          el("div", { class: "fields pair" },
            el("label", { for: volts.id }, "Voltage, V"), volts, el("label", { for: amps.id }, "Limit, A"), amps)),
        notes, el("p", {}, el("a", { class: "like-button", href: "#plans", on: { click: closeSheet } }, "Change plans …")),
        this.fault, this.go), "power-sheet");
    this.fetch();
  }

  async fetch() {
    const views = await api.plans().catch(() => /** @type {PlanView[]} */ ([]));
    for (const one of views) if (this.views.has(one.name)) this.views.set(one.name, one);
    this.tell();
  }

  get chosen() {
    return this.views.get(String(new FormData(this.form).get("plan") ?? ""));
  }

  /** What it does and what to mind comes into sight, however long the list of plans is. */
  choose() {
    this.tell();
    this.about.scrollIntoView({ block: "center" });
  }

  /** What the chosen plan does, and what to mind. */
  tell() {
    const plan = this.chosen;
    this.go.disabled = plan === undefined;
    this.about.replaceChildren(...(plan ? about(plan) : [el("p", { class: "soft" }, "Choose a plan.")]));
    this.more.replaceChildren(...(plan ? more(plan) : []));
    const own = plan?.cautions ?? [];
    const lines = own.length ? own : CAUTIONS;
    this.cautions.replaceChildren(...lines.map((text) => el("li", {}, text)));
    for (const field of this.less) field.placeholder = plan ? `${plan.values[field.name]}` : "";
  }

  async powerOn() {
    const plan = this.chosen;
    if (plan === undefined) return;
    /** @type {Record<string, number>} */
    const less = {};
    for (const field of this.less) {
      const value = typedNumber(field.value);
      if (Number.isNaN(value)) {
        this.fault.textContent = `${field.value} is not a number: write for example ${field.placeholder}`;
        field.focus();
        return;
      }
      if (value !== null) less[field.name] = value;
    }
    await attempt(this.go, this.fault, async () => {
      await api.powerOn(this.channel, plan.name, less).catch((fault) => {
        // What has changed is told; whoever presses again has read it.
        if (fault instanceof Fault && fault.code === "stale" && fault.present) this.channel = fault.present;
        throw fault;
      });
      closeSheet();
      const { supply, channel } = this.channel;
      // What happens now is read at the card's top, and the button that the focus goes back to is far below it.
      document.querySelector(`[data-testid="${CSS.escape(`channel-${supply}-${channel}`)}"]`)?.scrollIntoView({ block: "start" });
    });
  }
}

/**
 * Checks of the job that are not ticked: a caution, and the way to them.
 * @param {string[]} labels
 */
function openChecks(labels) {
  if (labels.length === 0) return null;
  return el("div", { class: "open-checks", testid: "open-checks" },
    el("p", {}, el("b", {}, `Not ticked before power: ${labels.length}`)), el("ul", {}, ...labels.map((text) => el("li", {}, text))),
    el("a", { class: "like-button", href: "#job", on: { click: closeSheet } }, "To the checklist"));
}

/**
 * The output's own plan stands by itself, so that the cautions below are seen; the others come when asked for.
 * @param {ChannelView} channel
 * @param {PlanValues[]} plans
 */
function choices(channel, plans) {
  /** @param {PlanValues} plan */
  const choice = (plan) => el("label", { class: "plan" },
    el("input", { type: "radio", name: "plan", value: plan.name, checked: plan.name === channel.plan }),
    el("b", {}, plan.name),
    el("span", {}, `${withUnit(plan.voltage_v, "V")}, limit ${withUnit(plan.limit_a, "A")}`));
  const own = plans.filter((plan) => plan.name === channel.plan);
  const others = plans.filter((plan) => plan.name !== channel.plan);
  if (!own.length || !others.length) return plans.map(choice);
  return [...own.map(choice), el("details", {}, el("summary", { testid: "other-plans" }, `Other plans (${others.length}) …`), ...others.map(choice))];
}

/** @param {PlanShown} plan */
function about({ name, origin: where, values }) {
  return [
    el("p", {}, el("b", {}, values.title || name), where ? el("span", { class: "soft" }, ` · ${origin(where)}`) : null),
    el("ol", { class: "steps" }, ...planStages(values).map(([name, words]) => el("li", {}, el("b", {}, name), ` ${words}`))),
  ];
}

/** @param {PlanShown} plan */
function more({ values }) {
  return [
    el("details", {}, el("summary", {}, "Protections and where the figures come from"),
      el("dl", { class: "figures" }, ...planFacts(values).flatMap(([name, value]) => [el("dt", {}, name), el("dd", {}, value)])),
      el("p", { class: "soft source" }, `Source: ${values.source || "not stated"}`)),
  ];
}
