// The card of one output: state, big numbers, live plot, buttons.

import { api } from "../shared/api.js";
import { button, el, setData, setText } from "../shared/dom.js";
import { age, amps, begin, percent, volts, watts, withUnit } from "../shared/format.js";
import { attempt } from "../shared/sheet.js";
import { capture, mode, signature, trust } from "../shared/words.js";
import { boardVolts } from "./atboard.js";
import { Feed } from "./feed.js";
import { Health } from "./health.js";
import { LivePlot } from "./liveplot.js";
import { askPower } from "./power.js";
import { Stages } from "./stages.js";

/** @import { BenchView, ChannelView } from "../shared/types.js" */
/** @import { SamplesMessage } from "./feed.js" */

/** A reading older than this is not `now` any more, s. */
const OLD_S = 2;
/** @type {[number, string][]} */
const SPANS = [[30, "30 s"], [120, "2 min"]];
const RECENT_POINTS = 4000;
/** Figures that change more often cannot be read. */
const FIGURES_MS = 200;

export class ChannelCard {
  /**
   * @param {ChannelView} view
   * @param {() => BenchView | null} bench
   */
  constructor(view, bench) {
    this.view = view;
    this.bench = bench;
    this.live = false;
    this.feed = new Feed();
    this.dirty = true;
    const { supply, channel } = view;
    this.seenAt = this.figuresAt = performance.now();
    /** When the newest reading was taken, by the page's stopwatch, ms. @type {number | null} */
    this.readAt = null;
    /** @type {{ v: number | null, i: number | null, mode: string }} */
    this.newest = { v: null, i: null, mode: "unknown" };
    this.output = el("b", { class: "output", testid: "output" });
    this.capture = el("span", { class: "capture", testid: "capture" });
    this.current = figure("current", "A", "big");
    this.voltage = figure("voltage", "V", "small");
    this.power = figure("power", "W", "small");
    this.atBoard = el("p", { class: "soft at-board", testid: "at-board" });
    this.mode = el("p", { class: "mode" });
    this.old = el("p", { class: "old" });
    // For who listens: what changes seldom. Figures and their age go on all the time.
    this.told = el("p", { class: "unseen", role: "status" });
    this.set = el("p", { class: "soft set" });
    this.model = el("span", {});
    this.trust = el("span", { class: "trust", testid: "trust" });
    this.who = el("p", { class: "soft who", testid: "identity" }, this.model, " ", this.trust);
    this.linkText = el("p", { class: "fault" });
    this.finding = el("div", { class: "says", role: "status", testid: "card-finding", hidden: true });
    this.foundOf = "";
    this.plotBox = el("div", { class: "plot live", "aria-hidden": "true" });
    this.fault = el("p", { class: "fault", role: "alert" });
    this.spanButtons = SPANS.map(([seconds, text]) => button(text, () => this.setSpan(seconds), { class: "span" }));
    this.on = button("Power on …", () => askPower(this.view, this.bench()), { class: "go", testid: "power-on", "data-changes": true });
    this.off = this.action("Switch off", () => api.channelOff(supply, channel), { testid: "power-off", class: "off-one" });
    this.stages = new Stages((node, act) => attempt(node, this.fault, act).then(() => this.refresh(this.live)),
      (name) => this.bench()?.plans.find((plan) => plan.name === name));
    this.health = new Health();
    this.marks = [
      this.action("Mark: connected", () => api.mark(supply, channel, "connected"), { testid: "mark-connected", "data-changes": true }),
      this.action("Mark: button", () => api.mark(supply, channel, "button"), { testid: "mark-button", "data-changes": true }),
    ];
    this.node = this.build();
    this.plot = new LivePlot(this.plotBox);
    this.setSpan(SPANS[0][0]);
  }

  build() {
    const { supply, channel } = this.view;
    return el("article", { class: "card", testid: `channel-${supply}-${channel}`, "aria-label": `${supply}, output ${channel}` },
      el("div", { class: "card-head" }, this.output,
        el("div", { class: "names" }, el("h2", {}, `${supply} · ${channel}`), this.capture)),
      this.linkText,
      this.current.box,
      el("div", { class: "row" }, this.voltage.box, this.power.box),
      // What comes and goes stands below the buttons: they must not move away under a finger.
      this.atBoard, this.old, this.told, this.mode, this.stages.node, this.plotBox,
      el("div", { class: "actions" }, this.on, this.off, ...this.marks), this.fault,
      this.health.warning, this.finding, this.stages.results,
      el("div", { class: "spans", role: "group", "aria-label": "Time in view" }, ...this.spanButtons),
      this.set, this.who,
      this.health.fold);
  }

  /** @param {string} text @param {() => unknown} act @param {import("../shared/dom.js").Props} props */
  action(text, act, props) {
    const node = button(text, () => attempt(node, this.fault, act).then(() => this.refresh(this.live)), props);
    return node;
  }

  /** @param {number} seconds */
  setSpan(seconds) {
    this.plot.seconds = seconds;
    this.spanButtons.forEach((node, n) => node.setAttribute("aria-pressed", String(SPANS[n][0] === seconds)));
    this.dirty = true;
  }

  /**
   * A new view of this channel.
   * @param {ChannelView} view
   */
  update(view) {
    this.view = view;
    this.seenAt = performance.now();
    this.newest = { v: view.voltage_v, i: view.current_a, mode: view.mode };
    this.readAt = view.reading_age_s === null ? null : this.seenAt - view.reading_age_s * 1000;
    this.plot.marks = /** @type {import("./liveplot.js").LiveMark[]} */ (view.marks);
    this.plot.limit_a = view.output === "on" ? view.limit_a : null;
    this.dirty = true;
    this.refresh(this.live);
  }

  /** @param {SamplesMessage} samples */
  add(samples) {
    this.feed.add(samples);
    this.dirty = true;
    const last = samples.t_ms.length - 1;
    if (last < 0) return;
    this.readAt = performance.now();
    this.newest = { v: samples.v[last], i: samples.i[last], mode: samples.mode ?? this.newest.mode };
  }

  /** After a connection: what was missed. */
  async reload() {
    const { supply, channel } = this.view;
    this.feed.clear();
    const columns = await api.recent(supply, channel, SPANS[1][0], RECENT_POINTS).catch(() => null);
    if (columns) this.feed.prepend(columns);
    this.dirty = true;
  }

  /** How old the figures on the card are, s; null: there are none. */
  get readingAge() {
    return this.readAt === null ? null : (performance.now() - this.readAt) / 1000;
  }

  /**
   * Everything but the plot.
   * @param {boolean} live whether the page hears the bench
   */
  refresh(live) {
    this.live = live;
    const view = this.view;
    const shown = live ? view.output : "unknown";
    setText(this.output, shown);
    setData(this.node, "output", shown);
    setText(this.capture, !live ? "not heard from" : view.latched ? "tripped: re-arm first" : capture(view.capture));
    this.figures();
    setText(this.set, `${view.plan}: ${withUnit(view.set_voltage_v, "V")}, limit ${withUnit(view.limit_a, "A")}` +
      ` · now ${Number(view.rate_per_s.toPrecision(2))} readings/s`);
    this.introduce(view);
    this.stages.refresh(view, shown);
    this.health.refresh(view, shown, (performance.now() - this.seenAt) / 1000);
    this.tellFinding(view.finding, shown);
    setText(this.linkText, view.link_up ? "" : `Supply not reached. ${view.link_text}`);
    this.on.disabled = !live || !view.link_up || view.latched || view.output !== "off";
    this.on.hidden = live && view.output !== "off";
    this.off.hidden = !this.on.hidden;
    for (const node of this.marks) node.hidden = shown !== "on";
  }

  /** The numbers. Without the bench there are none: a last zero would look like a quiet board. */
  figures() {
    this.figuresAt = performance.now();
    const { v, i } = this.newest;
    const old = this.readingAge;
    const stale = !this.live || old === null || old > OLD_S;
    setData(this.node, "stale", String(stale));
    setText(this.current.value, this.live ? amps(i) : "–");
    setText(this.voltage.value, this.live ? volts(v) : "–");
    setText(this.power.value, this.live && v !== null && i !== null ? watts(v * i) : "–");
    setText(this.atBoard, stale ? "" : boardVolts(v, i, this.view.lead_ohm ?? null));
    setText(this.old, !stale ? "" : !this.live ? notHeard(old, v, i) : old === null ? "no reading" : `these numbers are ${age(old)} old`);
    setText(this.told, `${this.view.supply} ${this.view.channel} ${this.node.dataset.output}${stale ? ", without new numbers" : ""}`);
    const words = !this.live || this.newest.mode === "off" ? "" : mode(this.newest.mode);
    setText(this.mode, words);
    setData(this.mode, "mode", this.newest.mode);
  }

  /**
   * What the last power-up says, from the moment that it is known.
   * @param {ChannelView["finding"]} found
   * @param {string} shown the output's state as far as this page knows
   */
  tellFinding(found, shown) {
    const key = found ? `${found.trace} ${shown === "on"}` : "";
    if (key === this.foundOf) return;
    this.foundOf = key;
    this.finding.hidden = !found;
    if (!found) return;
    const line = (/** @type {string} */ text, /** @type {string} */ kind) => (text ? el("p", { class: kind }, text) : null);
    this.finding.replaceChildren(...[
      el("p", { class: "verdict" }, shown === "on" ? "" : "Last power-up: ",
        el("a", { href: `#trace/${encodeURIComponent(found.trace)}` }, el("b", {}, signature(found.signature))), ` ${percent(found.confidence)} sure`),
      line(begin(found.evidence), ""), line(found.next_check && `Next: ${found.next_check}`, "next"), line(found.caution, "over"),
    ].filter((node) => node !== null));
  }

  /**
   * Who the supply is, and how well its profile is verified.
   * @param {ChannelView} view
   */
  introduce(view) {
    const firmware = view.firmware ? ` · firmware ${view.firmware}` : "";
    setText(this.model, view.model ? view.model + firmware : view.identity ?? "");
    const [word, meaning] = trust(view.trust ?? "");
    setText(this.trust, word && `${word} profile`);
    setData(this.trust, "trust", view.trust ?? "");
    const title = meaning && `${meaning} (${view.profile})`;
    if (this.trust.title !== title) this.trust.title = title;
    this.who.hidden = !(view.model || view.identity || word);
  }

  draw() {
    if (!this.dirty) return;
    this.dirty = false;
    this.plot.draw(this.feed);
    if (performance.now() - this.figuresAt >= FIGURES_MS) this.figures();
    else this.dirty = true;
  }

  remove() {
    this.node.remove();
    this.plot.destroy();
  }
}

/**
 * A number with its unit: its box, and where the number goes.
 * @param {string} name
 * @param {string} unit
 * @param {"big" | "small"} size
 */
function figure(name, unit, size) {
  const value = el("span", { class: "value" }, "–");
  return { box: el("p", { class: size, testid: name }, value, el("span", { class: "unit" }, ` ${unit}`)), value };
}

/** @param {number | null} old s @param {number | null} v @param {number | null} i */
function notHeard(old, v, i) {
  if (old === null) return "not heard; no reading came";
  return `not heard: ${age(old)} ago it was ${amps(i)} A at ${volts(v)} V`;
}
