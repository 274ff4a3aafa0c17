// The form of one plan: its fields by groups, each with its unit and its own place for a fault.

import { el, setText } from "../shared/dom.js";
import { GROUPS } from "./planfields.js";

/** @import { Faults, Field, Group, Shown } from "./planfields.js" */
/** @typedef {HTMLInputElement | HTMLTextAreaElement} Input */

export class PlanForm {
  /**
   * @param {Shown} shown
   * @param {() => void} onChange after each change by hand
   */
  constructor(shown, onChange) {
    /** @type {Map<string, Input>} */
    this.inputs = new Map();
    /** @type {Map<string, HTMLElement>} */
    this.places = new Map();
    /** @type {[HTMLInputElement, HTMLElement][]} */
    this.boxes = [];
    this.node = el("div", { class: "groups", on: { input: () => this.changed(onChange) } },
      ...GROUPS.map((group) => this.group(group, shown)));
    this.changed(() => {});
  }

  /** @param {Group} group @param {Shown} shown */
  group({ title, stage, hint, fields }, shown) {
    const inside = el("div", { class: "plan-fields" }, hint ? el("p", { class: "soft wide" }, hint) : null,
      ...fields.map((field) => this.field(field, shown[field.key])));
    if (!stage) return el("fieldset", {}, el("legend", {}, title), inside);
    const tick = el("input", { type: "checkbox", id: `plan-${stage}`, checked: shown[stage] });
    this.inputs.set(stage, tick);
    this.boxes.push([tick, inside]);
    return el("fieldset", {},
      el("legend", {}, el("label", { class: "tick", for: tick.id }, tick, title)), this.place(stage), inside);
  }

  /** @param {Field} field @param {any} value */
  field({ key, label, unit, hint, kind }, value) {
    const id = `plan-${key}`;
    const common = { id, name: key, testid: id, "aria-describedby": `${id}-fault${hint ? ` ${id}-hint` : ""}` };
    const input = kind === "yes" ? el("input", { type: "checkbox", ...common, checked: value })
      : kind === "long" ? el("textarea", { rows: 3, ...common })
        : el("input", { autocomplete: "off", inputmode: kind === "number" ? "decimal" : null, ...common });
    if (kind !== "yes") input.value = value;
    this.inputs.set(key, input);
    const more = [this.place(key), hint ? el("p", { id: `${id}-hint`, class: "soft hint" }, hint) : null];
    if (kind === "yes") return el("div", { class: "plan-field wide" }, el("label", { class: "tick", for: id }, input, label), ...more);
    const wide = kind === "number" ? "" : " wide";
    return el("div", { class: `plan-field${wide}` }, el("label", { for: id }, label),
      el("div", { class: "with-unit" }, input, unit ? el("span", { class: "unit" }, unit) : null), ...more);
  }

  /** @param {string} key */
  place(key) {
    const node = el("p", { class: "fault", id: `plan-${key}-fault`, testid: `fault-${key}` });
    this.places.set(key, node);
    return node;
  }

  /** @param {() => void} onChange */
  changed(onChange) {
    for (const [tick, inside] of this.boxes) inside.hidden = !tick.checked;
    onChange();
  }

  /** What stands in the fields now. @returns {Shown} */
  get shown() {
    return Object.fromEntries([...this.inputs].map(([key, input]) => [key, input instanceof HTMLInputElement && input.type === "checkbox" ? input.checked : input.value]));
  }

  /** @param {boolean} value */
  set disabled(value) {
    for (const input of this.inputs.values()) input.disabled = value;
  }

  /** Show faults by key beside their fields; the first one gets the focus. Returns those that have no field. @param {Faults} faults */
  tell(faults) {
    /** @type {Input | null} */
    let first = null;
    for (const [key, place] of this.places) {
      const input = this.inputs.get(key);
      setText(place, faults[key] ?? "");
      input?.setAttribute("aria-invalid", String(Boolean(faults[key])));
      if (faults[key]) first ??= input ?? null;
    }
    first?.focus();
    return Object.entries(faults).filter(([key]) => !this.places.has(key)).map(([, text]) => text);
  }
}
