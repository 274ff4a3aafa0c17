// A run that goes on: what it does, what it asks, what it measures, and the way to stop it.

import { button, el, setText } from "../shared/dom.js";
import { typedNumber } from "../shared/format.js";
import { attempt } from "../shared/sheet.js";
import { nowMs } from "../shared/clock.js";
import { onlyLooks } from "../jobs/may.js";
import { Ear } from "./ear.js";
import { measureApi } from "./measureapi.js";
import { lasting, probes, sidesText, toldRows, valueText } from "./measurewords.js";
import { Points } from "./points.js";

/** @import { Hearing } from "../bench/hearing.js" */
/** @import { ProcedureView, Question, Run } from "../shared/types.js" */
/** @typedef {import("./measureapi.js").Value} Value */

export class Running {
  /** @param {Run} run @param {Hearing} hearing */
  constructor(run, hearing) {
    this.id = run.id;
    this.live = false;
    /** @type {ProcedureView | null} */
    this.view = null;
    this.heardAt = performance.now();
    this.asked = "";
    this.ear = new Ear(hearing);
    this.points = new Points(run);
    this.doing = el("p", { class: "run-doing", role: "status", testid: "run-doing" });
    this.elapsed = el("span", { testid: "run-elapsed" });
    this.bar = el("progress", { max: 1, "aria-label": "How far it is" });
    this.question = el("section", { class: "run-question", "aria-label": "Question", testid: "run-question", hidden: true });
    this.until = el("p", { class: "soft" });
    this.big = el("div", { class: "run-big", "aria-hidden": "true", testid: "run-big" });
    this.small = el("dl", { class: "run-values", testid: "run-values" });
    this.text = el("p", { class: "run-text", testid: "run-text" });
    this.fault = el("p", { class: "fault", role: "alert", testid: "run-fault" });
    this.done = button("Done", () => attempt(this.done, this.fault, () => measureApi.done(this.id)), { class: "go", "data-changes": true, testid: "run-done" });
    this.sound = button("Sound …", () => hearing.ask(), { class: "quiet", testid: "run-sound" });
    this.stop = button("Stop: outputs off", () => attempt(this.stop, this.fault, () => measureApi.stop(this.id)), { class: "run-stop", testid: "run-stop" });
    this.node = el("div", { class: "measure running" },
      el("div", { class: "run-head" }, el("h2", { tabindex: "-1" }, run.title), el("p", { class: "soft" }, sidesText(run), run.job ? ` · ${run.job}` : "", " · ", this.elapsed)),
      this.doing, this.bar, this.question, this.big, this.text, this.small, this.points.node,
      el("div", { class: "run-tools" }, this.done, this.sound), this.fault, el("div", { class: "run-reach" }, this.stop));
  }

  /** @param {ProcedureView} view */
  update(view) {
    this.view = view;
    this.heardAt = performance.now();
    setText(this.doing, view.ending ? "It is being ended: outputs go off." : `${Math.min(view.step + 1, view.steps)} of ${view.steps}: ${view.doing}`);
    if (view.share === null) this.bar.removeAttribute("value");
    else this.bar.value = view.share;
    this.bar.hidden = view.share === null;
    this.done.hidden = this.sound.hidden = this.points.node.hidden = !view.live || view.question !== null;
    if (view.told !== null) this.points.probe(probes(view.told.values));
    this.ask(view.ending ? null : view.question);
    this.refresh(this.live);
  }

  /** @param {boolean} live whether the bench is heard: else there are no figures and no tone */
  refresh(live) {
    this.live = live;
    const { view } = this;
    if (view === null) return;
    const told = live ? view.told : null;
    const rows = told === null ? [] : toldRows(told.values);
    const [first, ...rest] = view.live ? rows : [undefined, ...rows];
    this.big.hidden = !view.live || view.question !== null;
    if (this.big.children.length === 0) this.big.append(el("span", { class: "soft" }), el("b", {}), el("span", { class: "run-u" }));
    setText(this.big.children[0], first?.title ?? "");
    const figure = first && (first.name.endsWith("_ohm") || first.name.endsWith("_a")) ? first.text : "–";
    const [value, u] = figure.split(" ± ");
    setText(this.big.children[1], value);
    setText(this.big.children[2], u ? `± ${u}` : "");
    setText(this.text, live ? told?.text ?? "" : view.told || view.live ? "Link lost: no figures, and whether it goes on is not known here. If in doubt, switch off at the supply." : "Link lost: whether it goes on is not known here.");
    this.fill(first && figure === "–" ? rows : rest);
    setText(this.elapsed, live ? lasting(view.elapsed_s + (performance.now() - this.heardAt) / 1000) : "–");
    this.points.refresh(live);
    const left = view.question?.until_ns ? view.question.until_ns / 1e9 - nowMs() / 1000 : null;
    setText(this.until, left === null ? "" : `Without an answer it ends in ${lasting(Math.max(left, 0))}, outputs off.`);
    this.ear.follow(live && !view.ending ? view.told?.ear : null);
  }

  /** @param {(ReturnType<typeof toldRows>[number] | undefined)[]} rows */
  fill(rows) {
    const shown = rows.filter((row) => row !== undefined);
    const key = shown.map(({ name }) => name).join(" ");
    if (this.small.dataset.key !== key) {
      this.small.dataset.key = key;
      this.small.replaceChildren(...shown.map(({ title }) => el("div", {}, el("dt", {}, title), el("dd", {}))));
    }
    const places = this.small.querySelectorAll("dd");
    shown.forEach(({ text }, n) => setText(places[n], text));
  }

  /** @param {Question | null} question */
  ask(question) {
    const key = question === null ? "" : `${question.name} ${question.until_ns}`;
    if (key === this.asked) return;
    this.asked = key;
    this.question.hidden = question === null;
    if (question !== null) this.question.replaceChildren(el("p", { class: "run-asks", role: "alert" }, question.text), ...(onlyLooks() ? [el("p", {}, "An operator has to answer.")] : this.answers(question)), this.until);
    else this.question.replaceChildren();
  }

  /** @param {Question} question @returns {HTMLElement[]} */
  answers(question) {
    const { name, kind, choices, unit, low, high } = question;
    const fault = el("p", { class: "fault", role: "alert" });
    const big = (/** @type {string} */ text, /** @type {() => Value} */ value, /** @type {string} */ testid) => {
      const node = button(text, () => attempt(node, fault, () => measureApi.answer(this.id, name, value())), { class: "go run-answer", "data-changes": true, testid });
      return node;
    };
    if (kind === "ready") return [big("Ready", () => true, "answer-ready"), fault];
    if (kind === "choice") return [el("div", { class: "run-choices" }, ...choices.map((choice, n) => big(choice, () => choice, `answer-${n}`))), fault];
    const input = el("input", { id: "run-answer", autocomplete: "off", maxlength: 1000, inputmode: kind === "number" ? "decimal" : null, testid: "answer-typed" });
    const send = big("Answer", () => {
      if (kind === "text") return input.value.trim();
      const value = typedNumber(input.value);
      if (value === null || !((low ?? -Infinity) <= value && value <= (high ?? Infinity))) throw new Error(`${input.value || "Nothing"}: a number${unit ? ` in ${unit}` : ""} is asked for${low !== null && high !== null ? `, ${valueText(low, unit)} to ${valueText(high, unit)}` : ""}.`);
      return value;
    }, "answer-send");
    const range = kind === "number" && low !== null && high !== null ? el("p", { class: "hint soft" }, `${valueText(low, unit)} to ${valueText(high, unit)}`) : null;
    input.addEventListener("keydown", (event) => { if (event.key === "Enter") send.click(); });
    return [el("div", { class: "with-unit" }, el("label", { for: "run-answer", class: "unseen" }, question.text), input, unit ? el("span", { class: "unit" }, unit) : null), ...(range ? [range] : []), send, fault];
  }

  close() {
    this.ear.silence();
  }
}
