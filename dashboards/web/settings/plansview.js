// Power plans: the list, and the editor of one. What is typed is kept until it is saved or thrown away.

import { api, Fault, messageOf } from "../shared/api.js";
import { button, byId, el, setText } from "../shared/dom.js";
import { withUnit } from "../shared/format.js";
import { drafts } from "./drafts.js";
import { back as wayBack, erased, stale, twice } from "./parts.js";
import { placed, shownOf, valuesOf } from "./planfields.js";
import { PlanForm } from "./planform.js";
import { settings } from "./settingsapi.js";
import { planStages } from "../shared/planwords.js";
import { origin } from "../shared/words.js";

/** @import { PlanView } from "../shared/types.js" */

const LONGEST_NAME = 32;
/** @param {string} name */
const link = (name) => `#plans/${encodeURIComponent(name)}`;
/** @param {string} name */
const draftOf = (name) => `plan form ${name}`;

export class PlansView {
  constructor() {
    this.node = byId("part-plans");
    /** @type {string | null | undefined} undefined: closed */
    this.wanted = undefined;
  }

  close() {
    this.wanted = undefined;
    this.node.replaceChildren();
    this.node.hidden = true;
  }

  /** null: the list. @param {string | null} name */
  async open(name) {
    this.close();
    this.wanted = name;
    this.node.hidden = false;
    await this.reload();
  }

  /** Also after a change by another page; an editor that is open is left alone. */
  async reload() {
    const wanted = this.wanted;
    if (wanted === undefined || this.node.querySelector("form")) return;
    let nodes;
    try {
      const plans = await api.plans();
      const plan = plans.find((one) => one.name === wanted);
      nodes = wanted === null ? list(plans)
        : plan ? new Editor(plan, plans.map((one) => one.name)).nodes : [back(), el("p", { class: "fault" }, `There is no plan ${wanted}.`)];
    } catch (fault) {
      nodes = [back(), el("p", { class: "fault" }, messageOf(fault))];
    }
    if (this.wanted === wanted) this.node.replaceChildren(...nodes);
  }
}

const back = () => wayBack("◀ All plans", "#plans");

/** @param {PlanView[]} plans */
function list(plans) {
  return [
    wayBack(),
    el("div", { class: "part-head" }, el("h2", {}, "Power plans")),
    el("p", { class: "soft" }, "Open one to read it, and to make a copy of your own to change."),
    el("ol", { class: "rows" }, ...plans.map((plan) => el("li", {},
      el("a", { class: "trace-row", href: link(plan.name), testid: "plan-row" },
        el("b", { class: "words" }, plan.name),
        el("span", { class: "sure" }, drafts.read(draftOf(plan.name)) ? "not saved yet" : `${withUnit(plan.values.voltage_v, "V")}, ${withUnit(plan.values.limit_a, "A")}`),
        el("span", { class: "more" }, el("span", {}, plan.values.title ?? ""), el("span", {}, stands(plan))))))),
  ];
}

/** @param {PlanView} plan */
const stands = (plan) => origin(plan.origin) + (plan.overrides ? `, before the one that ${plan.overrides === "shipped" ? "comes with benchd" : "is in benchd.toml"}` : "");

class Editor {
  /** @param {PlanView} plan @param {string[]} names of all plans */
  constructor(plan, names) {
    this.plan = plan;
    this.taken = new Set(names);
    const draft = drafts.read(draftOf(plan.name));
    this.seen = draft?.seen ?? plan.version;
    this.stale = el("div", {});
    this.form = new PlanForm(draft?.shown ?? shownOf(this.plan.values), () => this.keep());
    this.fault = el("p", { class: "fault", role: "alert", testid: "plan-fault" });
    this.name = el("input", { id: "plan-name", autocomplete: "off", autocapitalize: "none", maxlength: LONGEST_NAME, testid: "plan-name", on: { input: () => this.keep() } });
    this.named = el("div", { class: "plan-field" }, el("label", { for: "plan-name" }, "Name of the new plan"), this.name,
      el("p", { class: "soft hint" }, "a-z, 0-9 and '-'. A plan of your own stands before another of the same name."));
    this.unsaved = el("p", { class: "unsaved", role: "status", testid: "unsaved" });
    this.save = el("button", { type: "submit", class: "go", testid: "plan-save", "data-changes": true }, "Save");
    this.copy = button("Make a copy to change", () => this.begin(this.suggest()), { class: "go", testid: "plan-copy", "data-changes": true });
    this.discard = button("Throw changes away", () => this.reset(), { testid: "plan-discard" });
    this.delete = this.deleteButton();
    this.copying = false;
    this.nodes = this.build();
    this.own = this.plan.origin === "own";
    if (draft?.name) this.begin(draft.name);
    else this.ready(this.own);
    if (draft) this.keep();
  }

  build() {
    const { plan } = this;
    const form = el("form", { class: "plan-form", novalidate: true, "aria-label": `Plan ${plan.name}` },
      this.named, el("p", { class: "soft" }, "A field left empty follows benchd's own default, or is not used."), this.form.node, this.fault, this.stale,
      el("div", { class: "plan-actions" }, this.unsaved, this.save, this.copy, this.discard, this.delete));
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      this.submit(this.seen);
    });
    return [
      back(), el("h2", {}, plan.name), el("p", { class: "soft" }, stands(plan), " ", el("a", { href: `#settings/plan:${encodeURIComponent(plan.name)}`, class: "inline", testid: "plan-text" }, "Edit as text")),
      el("ol", { class: "steps" }, ...planStages(plan.values).map(([name, words]) => el("li", {}, el("b", {}, name), ` ${words}`))),
      el("ul", { class: "cautions" }, ...plan.cautions.map((text) => el("li", {}, text))), form,
    ];
  }

  /** A name for a copy that is not taken. */
  suggest() {
    const stem = this.plan.name.slice(0, LONGEST_NAME - 7);
    for (let n = 1; ; n++) {
      const name = n === 1 ? `${stem}-own` : `${stem}-own-${n}`;
      if (!this.taken.has(name)) return name;
    }
  }

  /** Fields may be written from here on, under a new name. @param {string} name */
  begin(name) {
    this.copying = true;
    this.name.value = name;
    this.ready(true);
    this.keep();
  }

  /** @param {boolean} editable */
  ready(editable) {
    this.form.disabled = !editable;
    this.named.hidden = !this.copying;
    this.save.hidden = !editable;
    this.copy.hidden = Boolean(this.copying);
    setText(this.copy, this.own ? "Copy under another name" : "Make a copy to change");
    this.copy.classList.toggle("go", !this.own);
    this.delete.hidden = !this.own || Boolean(this.copying);
    this.discard.hidden = true;
  }

  keep() {
    drafts.keep(draftOf(this.plan.name), { shown: this.form.shown, name: this.copying ? this.name.value : "", seen: this.seen });
    this.discard.hidden = false;
    setText(this.unsaved, "Not saved yet.");
  }

  /** Back to the plan as it is. */
  reset() {
    drafts.drop(draftOf(this.plan.name));
    this.again();
  }

  /** The plan as it is, with what was typed. */
  again() {
    this.save.closest("form")?.remove();
    dispatchEvent(new Event("hashchange"));
  }

  /** @param {string} seen */
  async submit(seen) {
    setText(this.fault, "");
    this.stale.replaceChildren();
    const [values, wrong] = valuesOf(this.form.shown, this.plan.values);
    if (Object.keys(wrong).length) {
      setText(this.fault, this.form.tell(wrong).join(" ") || "Not saved: see the marked fields.");
      return;
    }
    this.form.tell({});
    this.save.disabled = true;
    try {
      const saved = this.copying ? await settings.savePlan(this.name.value.trim(), values) : await settings.savePlan(this.plan.name, values, seen);
      drafts.drop(draftOf(this.plan.name));
      this.save.closest("form")?.remove();
      if (location.hash === link(saved.name)) dispatchEvent(new Event("hashchange"));
      else location.hash = link(saved.name);
    } catch (problem) {
      if (problem instanceof Fault && problem.code === "stale") {
        const now = problem.present;
        const words = JSON.stringify(now?.values ?? "it is gone", null, 2);
        this.stale.replaceChildren(stale(problem.message, words, () => this.reset(), () => this.submit(now?.version ?? "")));
        return;
      }
      const rest = this.form.tell(placed(messageOf(problem)));
      setText(this.fault, rest.join(" ") || "Not saved: see the marked fields.");
    } finally {
      this.save.disabled = false;
    }
  }

  deleteButton() {
    return twice("Delete this plan …", "Tap again to delete", async (node) => {
      const { name, version } = this.plan;
      const gone = await erased({ node, fault: this.fault, box: this.stale }, () => settings.deletePlan(name, version), (now) => JSON.stringify(now.values, null, 2), () => this.again());
      if (!gone) return;
      drafts.drop(draftOf(this.plan.name));
      this.save.closest("form")?.remove();
      location.hash = "#plans";
    }, { testid: "plan-delete" });
  }
}
