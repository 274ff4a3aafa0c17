// What was done to the board, in two taps: the kind of step, then where (or just: enter it).

import { api, Fault, messageOf } from "../shared/api.js";
import { button, el, setText } from "../shared/dom.js";
import { clock, typedNumber } from "../shared/format.js";
import { say } from "../shared/said.js";
import { attempt, closeSheet, showSheet } from "../shared/sheet.js";
import { signature } from "../shared/words.js";
import { dictation } from "./dictation.js";
import { jobApi } from "./jobapi.js";
import { moment } from "./jobwords.js";
import { refill } from "./refill.js";

/** @import { ListState, StepKind } from "../shared/types.js" */

/** Power-ups to choose from for a step that is written down late. */
const LATE = 8;

export class Steps {
  /** @param {() => void} done a step was written down */
  constructor(done) {
    this.done = done;
    this.job = "";
    this.known = false;
    this.grid = el("div", { class: "step-grid step-kinds" });
    this.node = el("section", { class: "job-part", "aria-label": "What was done", "data-changes": true, testid: "steps" }, el("h3", {}, "What did you do?"), this.grid);
  }

  /** @param {string} job */
  async show(job) {
    this.job = job;
    if (this.known) return;
    try {
      const { steps, faults } = await jobApi.kinds();
      this.known = true;
      refill(this.grid, ...faults.map((text) => el("p", { class: "fault" }, text)), ...steps.map((kind) =>
        button(kind.label, () => this.ask(kind), { "data-key": `step-${kind.id}`, testid: `step-${kind.id}` })));
    } catch (fault) {
      refill(this.grid, el("p", { class: "fault" }, messageOf(fault)));
    }
  }

  /** The list may have been edited meanwhile. */
  forget() {
    this.known = false;
  }

  /** @param {StepKind} kind */
  ask(kind) {
    new StepSheet(this.job, kind, this.done).show();
  }
}

/** One step that is about to be written down. */
class StepSheet {
  /** @param {string} job @param {StepKind} kind @param {() => void} done */
  constructor(job, kind, done) {
    this.job = job;
    this.kind = kind;
    this.done = done;
    this.fault = el("p", { class: "fault", role: "alert" });
    this.first = el("div", { class: "checks-first" });
    this.detail = el("input", { id: "step-detail", maxlength: 200, autocomplete: "off", testid: "step-detail" });
    this.text = el("textarea", { id: "step-text", rows: 2, maxlength: 4000, testid: "step-text" });
    this.minutes = el("input", { id: "step-minutes", inputmode: "decimal", autocomplete: "off", testid: "step-minutes" });
    this.effect = el("select", { id: "step-effect", testid: "step-effect" }, el("option", { value: "" }, "The next one: it was done just now"));
    this.go = el("button", { type: "submit", class: "go stay", testid: "step-go" }, "Enter it");
  }

  show() {
    const { label, ask, details } = this.kind;
    const form = el("form", { class: "sheet-body" },
      details.length ? el("p", { class: "asked" }, ask) : null,
      details.length ? el("div", { class: "step-grid" }, ...details.map((one) => button(one, () => this.enter(one), { testid: "step-choice" }))) : null,
      details.length ? el("p", { class: "hint soft" }, "One tap enters it. What is written below goes with it.") : null,
      ...(ask ? [el("label", { for: "step-detail", class: details.length ? null : "asked" }, details.length ? "Something else" : ask), this.detail] : []),
      el("details", { testid: "step-more", on: { toggle: () => this.late() } }, el("summary", {}, "Say more"),
        el("div", { class: "fields" },
          el("div", { class: "label-row" }, el("label", { for: "step-text" }, "In your own words"), dictation(this.text, this.fault)), this.text,
          el("label", { for: "step-minutes" }, "Took, minutes"), this.minutes,
          el("label", { for: "step-effect" }, "First power-up after it"), this.effect)),
      this.first, this.fault, this.go);
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      this.enter(this.detail.value.trim());
    });
    showSheet(label, form, "step-sheet");
    // With a keyboard, Enter enters it; on a touch screen no keyboard of glass comes up before it is wanted.
    if (matchMedia("(hover: hover)").matches) (ask && !details.length ? this.detail : this.go).focus();
  }

  /** A step that is written down late: power-ups that came after it already, to choose from. */
  async late() {
    if (this.effect.options.length > 1) return;
    const traces = await api.traces(this.job, LATE).catch(() => []);
    this.effect.append(...traces.map((one) => el("option", { value: one.id },
      `${clock(one.start_ns)}: ${one.finding ? signature(one.finding.signature) : "not read yet"}`)));
  }

  /** @param {string} detail @param {boolean} [anyway] */
  async enter(detail, anyway = false) {
    const minutes = typedNumber(this.minutes.value);
    if (Number.isNaN(minutes)) {
      setText(this.fault, `Minutes: “${this.minutes.value}” is not a number. Example: 12.5`);
      return;
    }
    const step = { step: this.kind.id, detail, text: this.text.value.trim(), minutes, effect: this.effect.value || null, anyway };
    const entered = await attempt(this.go, this.fault, async () => {
      try {
        await jobApi.addStep(this.job, step);
      } catch (fault) {
        if (fault instanceof Fault && fault.code === "checks-open") this.askFirst(fault.present?.checklists ?? [], detail);
        throw fault;
      }
    });
    if (!entered) return;
    closeSheet();
    say(`${this.kind.label}${detail ? `: ${detail}` : ""}. Entered.`);
    this.done();
  }

  /** Checks that come first are open: tick them here, or go on and have the journal say so. @param {ListState[]} lists @param {string} detail */
  askFirst(lists, detail) {
    const items = lists.flatMap((list) => list.items.map((item) => {
      const node = button("", async () => {
        const ticked = await attempt(node, this.fault, () => jobApi.tick(this.job, list.id, item.id, { state: "done", seen: item.version }));
        if (!ticked) return;
        box.textContent = "✓";
        node.setAttribute("aria-checked", "true");
        node.disabled = true;
      }, { class: "big-tick", role: "checkbox", "aria-checked": "false", testid: `first-${item.id}` });
      const box = el("span", { class: "tick-box", "aria-hidden": "true" });
      node.append(box, el("span", { class: "tick-words" }, el("b", {}, item.label), item.why ? el("span", { class: "soft" }, item.why) : null));
      return el("li", {}, node);
    }));
    this.first.replaceChildren(
      el("p", { class: "caution" }, `${moment(lists[0]?.moment)}: these come first. What is on the chip may be the only copy.`),
      el("ul", { class: "rows" }, ...items),
      button("Enter it though they are open", () => this.enter(detail, true), { class: "quiet", testid: "step-anyway" }));
    this.first.scrollIntoView({ block: "nearest" });
  }
}
