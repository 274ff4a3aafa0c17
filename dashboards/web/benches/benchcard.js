// The card of one bench: who it is, its outputs, its newest trip and finding. What is not sure is never shown as off.

/** @import { BenchSeen, OutputSeen } from "../shared/types.js" */

import { el, setData, setText } from "../shared/dom.js";
import { age, amps, begin, clock, percent, volts } from "../shared/format.js";
import { rule, signature, stage } from "../shared/words.js";

/** A reading older than this is not `now` any more, s. */
const OLD_S = 3;
const NOT_HEARD = "this page hears nothing";

export class BenchCard {
  constructor() {
    /** @type {BenchSeen | null} */
    this.view = null;
    this.page = "";
    this.name = el("h2", {});
    this.job = el("b", { class: "job-id", testid: "job" });
    this.word = el("span", { class: "soft word", testid: "word" });
    this.text = el("p", { class: "standing", testid: "standing" });
    this.outputs = el("ul", { class: "outputs" });
    /** @type {Map<string, Output>} */
    this.lines = new Map();
    this.trip = el("p", { class: "soft", testid: "last-trip" });
    this.finding = el("p", { class: "soft", testid: "last-finding" });
    this.node = el("article", { class: "card bench" },
      el("div", { class: "bench-head" }, this.name, this.job, this.word), this.text, this.outputs, this.trip, this.finding);
  }

  /**
   * What was told of the bench.
   * @param {BenchSeen} view
   */
  update(view) {
    this.view = view;
    this.node.id = view.bench;
    setData(this.node, "testid", `bench-${view.bench}`);
    if (this.name.textContent !== view.bench || this.page !== view.page) {
      this.page = view.page;
      this.name.replaceChildren(view.page ? el("a", { href: view.page }, view.bench) : view.bench);
    }
    setText(this.job, view.job ?? "");
    const there = new Set(view.outputs.map(keyOf));
    for (const [key, line] of this.lines) {
      if (there.has(key)) continue;
      line.node.remove();
      this.lines.delete(key);
    }
    for (const one of view.outputs) {
      const line = this.lines.get(keyOf(one)) ?? new Output(one);
      if (!this.lines.has(keyOf(one))) this.outputs.append(line.node);
      this.lines.set(keyOf(one), line);
      line.view = one;
    }
    const { trip, finding } = view;
    const latched = view.outputs.some((one) => one.latched);
    setText(this.trip, trip && !latched ? `Last trip: ${rule(trip.rule)}, ${clock(trip.t_ns)}` : "");
    setText(this.finding, finding ? `${signature(finding.signature)} (${percent(finding.confidence)}), ${clock(finding.t_ns)}` : "");
  }

  /**
   * @param {boolean} live whether this page is heard from
   * @param {number} elapsed s since the view came in
   */
  refresh(live, elapsed) {
    if (this.view === null) return;
    const { standing, text, word_age_s } = this.view;
    const shown = live ? standing : "unknown";
    setData(this.node, "standing", shown);
    const word = word_age_s === null ? null : word_age_s + elapsed;
    setText(this.word, word === null ? "not heard" : word < OLD_S ? "heard now" : `heard ${age(word)} ago`);
    setText(this.text, sentence(live ? text : NOT_HEARD));
    let tripped = false;
    for (const line of this.lines.values()) {
      line.refresh(live, shown, elapsed);
      tripped ||= line.view.latched;
    }
    setData(this.node, "tripped", String(tripped));
    const states = [...this.lines.values()].map((line) => line.node.dataset.output);
    setData(this.node, "output", ["unknown", "on", "away", "off"].find((one) => states.includes(one)) ?? "away");
  }
}

/** @param {OutputSeen} output */
const keyOf = ({ supply, channel }) => `${supply} ${channel}`;

class Output {
  /** @param {OutputSeen} view */
  constructor(view) {
    this.view = view;
    this.state = el("b", { class: "output", testid: "output" });
    this.name = el("span", { class: "output-name" });
    this.current = el("span", { class: "value" });
    this.voltage = el("span", { class: "value" });
    /** @param {string} kind @param {HTMLElement} value @param {string} unit @param {string} testid */
    const number = (kind, value, unit, testid) => el("p", { class: `number ${kind}`, testid }, value, el("span", { class: "unit" }, `\u00a0${unit}`));
    this.numbers = [number("amps", this.current, "A", "current"), number("volts", this.voltage, "V", "voltage")];
    this.trip = el("p", { class: "latched", testid: "latched" });
    this.doubt = el("p", { class: "doubt", testid: "doubt" });
    this.node = el("li", { class: "one-output" }, this.trip, this.state, this.numbers[0], this.name, this.numbers[1], this.doubt);
  }

  /**
   * @param {boolean} live
   * @param {string} standing of the bench
   * @param {number} elapsed s since the view came in
   */
  refresh(live, standing, elapsed) {
    const one = this.view;
    const word = wordOf(live ? one.output : "unknown", standing, one.last);
    setData(this.node, "output", word);
    setData(this.node, "testid", `output-${one.supply}-${one.channel}`);
    setText(this.state, word);
    const where = word === "on" && one.stage ? ` · ${stage(one.stage)[0]}` : "";
    setText(this.name, `${one.supply} · ${one.channel}${where}`);
    const old = one.reading_age_s === null ? null : one.reading_age_s + elapsed;
    for (const node of this.numbers) {
      node.hidden = old === null || word === "away";
      setData(node, "old", String(!live || old === null || old > OLD_S));
    }
    setText(this.current, amps(one.current_a));
    setText(this.voltage, volts(one.voltage_v));
    this.doubt.hidden = word === "on" || word === "off";
    const last = one.last && one.last !== "unknown" ? `Last known: ${one.last}${one.last_ns ? `, ${clock(one.last_ns)}` : ""}.` : "";
    // What is wrong with the whole bench stands once, above.
    const why = live && standing === "online" ? sentence(one.doubt) : "";
    setText(this.doubt, [why, last].filter(Boolean).join(" "));
    this.trip.hidden = !one.latched;
    setText(this.trip, one.latched ? latchedWords(one, word) : "");
  }
}

/** @param {string} text */
const sentence = (text) => (text ? `${begin(text)}.` : "");

/**
 * An output that was on when its bench went is still to be looked after: it stays loud.
 * @param {string} output
 * @param {string} standing
 * @param {string} last
 */
function wordOf(output, standing, last) {
  return output === "unknown" && standing === "away" && last !== "on" ? "away" : output;
}

/** @param {OutputSeen} one @param {string} word */
function latchedWords(one, word) {
  const when = one.trip?.t_ns ? ` at ${clock(one.trip.t_ns)}` : "";
  const off = word === "off" ? "Output is off, read back." : word === "away" ? "Tripped when last heard." : "OFF IS NOT CONFIRMED.";
  return `Tripped: ${rule(one.trip?.rule) || "reason not known"}${when}. ${off}`;
}
