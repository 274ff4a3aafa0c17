// What a job says of the device: one form for intake and for later changes.

import { el } from "../shared/dom.js";
import { dictation } from "./dictation.js";
import { BATTERIES, field as fieldName, FIELDS, RISKS, risk } from "./jobwords.js";
import { merge } from "./merge.js";

/** @import { Job } from "../shared/types.js" */
/** @import { Value, Values } from "./merge.js" */

const LINES = { device: 120, board: 120, wanted_back: 500, accessories: 300 };
const TEXTS = { symptom: 1000, history: 4000 };
const HINTS = {
  device: "As you would tell it apart on the shelf.",
  board: "References and searches go by it; write it the same each time.",
  wanted_back: "The device working, only what is stored in it, or just the answer whether it pays.",
  history: "Falls, water, earlier repairs, what was tried.",
};

/**
 * A job's fields alone, as a form holds them.
 * @param {Partial<Job>} job
 * @returns {Values}
 */
export function valuesOf(job) {
  return Object.fromEntries(Object.keys(FIELDS).map((name) => {
    const value = job[/** @type {keyof Job} */ (name)];
    return [name, name === "consent" ? [.../** @type {string[]} */ (value ?? [])] : String(value ?? "")];
  }));
}

/** The fields of a form, filled from a job. */
export class JobFields {
  /**
   * @param {Partial<Job>} job
   * @param {string[]} boards kinds of boards that are known, to choose from
   */
  constructor(job, boards = []) {
    this.base = valuesOf(job);
    this.fault = el("p", { class: "fault", role: "alert" });
    /** @type {Map<string, HTMLElement>} */
    this.rows = new Map();
    this.node = el("div", { class: "job-fields" },
      this.row("device", this.line("device")),
      this.row("board", this.line("board", { list: "job-boards" }), el("datalist", { id: "job-boards" }, ...boards.map((value) => el("option", { value })))),
      this.row("symptom", this.text("symptom")),
      this.row("history", this.text("history")),
      this.row("wanted_back", this.line("wanted_back")),
      this.row("accessories", this.line("accessories")),
      this.battery(), this.consent(), this.fault);
    this.set(this.base);
  }

  /** @param {"device" | "board" | "wanted_back" | "accessories"} name @param {import("../shared/dom.js").Props} props */
  line(name, props = {}) {
    return el("input", { id: `field-${name}`, name, maxlength: LINES[name], autocomplete: "off", testid: `field-${name}`, ...this.described(name), ...props });
  }

  /** @param {"symptom" | "history"} name */
  text(name) {
    return el("textarea", { id: `field-${name}`, name, rows: 3, maxlength: TEXTS[name], testid: `field-${name}`, ...this.described(name) });
  }

  /** @param {string} name */
  described(name) {
    return { "aria-describedby": name in HINTS ? `hint-${name} there-${name}` : `there-${name}` };
  }

  /** @param {string} name @param {...HTMLElement} controls */
  row(name, ...controls) {
    const hint = HINTS[/** @type {keyof HINTS} */ (name)];
    const [first] = controls;
    const spoken = first instanceof HTMLTextAreaElement ? dictation(first, this.fault) : null;
    const node = el("div", { class: `job-field${first instanceof HTMLTextAreaElement ? " wide" : ""}`, "data-field": name },
      el("div", { class: "label-row" }, el("label", { for: `field-${name}` }, fieldName(name)), spoken), ...controls,
      hint ? el("p", { class: "hint soft", id: `hint-${name}` }, hint) : null,
      el("div", { class: "there", id: `there-${name}` }));
    this.rows.set(name, node);
    return node;
  }

  battery() {
    const node = el("fieldset", { class: "wide", "data-field": "battery" }, el("legend", {}, fieldName("battery")),
      el("div", { class: "choices" }, ...Object.entries(BATTERIES).map(([id, words]) => el("label", { class: "tick" },
        el("input", { type: "radio", name: "battery", value: id, testid: `battery-${id || "open"}` }), words))),
      el("div", { class: "there" }));
    this.rows.set("battery", node);
    return node;
  }

  consent() {
    // A risk that this page has no words for stays ticked.
    const ids = [...new Set([...Object.keys(RISKS), .../** @type {string[]} */ (this.base.consent)])];
    const node = el("fieldset", { class: "wide", "data-field": "consent" }, el("legend", {}, "The owner agrees"),
      el("div", { class: "choices" }, ...ids.map((id) => el("label", { class: "tick" },
        el("input", { type: "checkbox", name: "consent", value: id, testid: `consent-${id}` }), risk(id)))),
      el("div", { class: "there" }));
    this.rows.set("consent", node);
    return node;
  }

  /** @returns {HTMLInputElement[]} */
  controls() {
    return [...this.node.querySelectorAll("input, textarea")].map((one) => /** @type {HTMLInputElement} */ (one));
  }

  /** @param {Values} values */
  set(values) {
    for (const control of this.controls()) {
      const value = values[control.name];
      if (control.type === "radio") control.checked = control.value === value;
      else if (control.type === "checkbox") control.checked = value.includes(control.value);
      else if (control.value !== value) control.value = String(value);
    }
  }

  /** @returns {Values} */
  get values() {
    /** @type {Values} */
    const found = { consent: [], battery: "" };
    for (const control of this.controls()) {
      if (control.type === "checkbox") {
        if (control.checked) /** @type {string[]} */ (found.consent).push(control.value);
      } else if (control.type === "radio") {
        if (control.checked) found.battery = control.value;
      } else found[control.name] = control.value.trim();
    }
    return found;
  }

  /**
   * Somebody else changed the job meanwhile: what they changed and this form did not is taken over; where both did, both are
   * shown and what is typed stays.
   * @param {Job} there
   */
  meet(there) {
    const theirs = valuesOf(there);
    const { values, taken, disputed } = merge(this.base, this.values, theirs);
    this.set(values);
    this.base = theirs;
    for (const [name, node] of this.rows) {
      const place = node.querySelector(".there");
      const isDisputed = disputed.includes(name);
      node.classList.toggle("disputed", isDisputed);
      place?.replaceChildren(...(isDisputed ? this.dispute(name, theirs[name]) : taken.includes(name) ? [el("p", { class: "hint" }, "Changed by somebody else meanwhile; taken over.")] : []));
    }
    return disputed;
  }

  /** @param {string} name @param {Value} theirs */
  dispute(name, theirs) {
    const shown = name === "battery" ? BATTERIES[/** @type {keyof BATTERIES} */ (theirs)] ?? theirs : Array.isArray(theirs) ? theirs.map(risk).join(" ") : theirs;
    const take = el("button", { type: "button", testid: `take-${name}` }, "Take this");
    take.addEventListener("click", () => {
      this.set({ ...this.values, [name]: theirs });
      const row = this.rows.get(name);
      row?.classList.remove("disputed");
      row?.querySelector(".there")?.replaceChildren();
    });
    return [el("p", {}, el("b", {}, "There now: "), String(shown) || "nothing"), take];
  }

  /** Put the focus on what the bench found wrong, as it names it: `body.symptom`. @param {string | undefined} where */
  point(where) {
    const name = where?.split(".")[1];
    for (const control of this.controls()) {
      const wrong = control.name === name;
      if (wrong) control.setAttribute("aria-invalid", "true");
      else control.removeAttribute("aria-invalid");
      if (wrong) control.focus();
    }
  }
}
