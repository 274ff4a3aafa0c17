// The card of one output: state, big numbers, live plot, buttons.

import { api } from "../shared/api.js";
import { button, el, setData, setText } from "../shared/dom.js";
import { age, amps, volts, watts, withUnit } from "../shared/format.js";
import { Feed } from "./feed.js";
import { Health } from "./health.js";
import { LivePlot } from "../shared/plots.js";
import { askPower } from "./power.js";
import { attempt } from "../shared/sheet.js";
import { Stages } from "./stages.js";
import { capture, mode, trust } from "../shared/words.js";

/** A reading older than this is not `now` any more, s. */
const OLD_S = 2;
const SPANS = [[30, "30 s"], [120, "2 min"]];
const RECENT_POINTS = 4000;

export class ChannelCard {
  constructor(view, bench) {
    this.view = view;
    this.bench = bench;
    this.seenAt = performance.now();
    this.feed = new Feed();
    this.dirty = true;
    this.node = this.build();
    this.plot = new LivePlot(this.plotBox);
    this.setSpan(SPANS[0][0]);
  }

  number(name, unit, big) {
    const value = el("span", { class: "value" }, "–");
    const node = el("p", { class: big ? "big" : "small", testid: name }, value, el("span", { class: "unit" }, ` ${unit}`));
    return [node, value];
  }

  build() {
    const { supply, channel } = this.view;
    this.output = el("b", { class: "output", testid: "output" });
    this.capture = el("span", { class: "capture", testid: "capture" });
    [this.currentBox, this.current] = this.number("current", "A", true);
    [this.voltageBox, this.voltage] = this.number("voltage", "V");
    [this.powerBox, this.power] = this.number("power", "W");
    this.mode = el("p", { class: "mode" });
    this.old = el("p", { class: "old", role: "status" });
    this.set = el("p", { class: "soft set" });
    this.model = el("span", {});
    this.trust = el("span", { class: "trust", testid: "trust" });
    this.who = el("p", { class: "soft who", testid: "identity" }, this.model, " ", this.trust);
    this.linkText = el("p", { class: "fault" });
    this.plotBox = el("div", { class: "plot live", "aria-hidden": "true" });
    this.fault = el("p", { class: "fault", role: "alert" });
    this.spanButtons = SPANS.map(([seconds, text]) => button(text, () => this.setSpan(seconds), { class: "span" }));
    this.on = button("Power on …", () => askPower(this.view, this.bench().plans), { class: "go", testid: "power-on" });
    this.off = this.action("Switch off", () => api.channelOff(supply, channel), "power-off");
    this.stages = new Stages((node, act) => attempt(node, this.fault, act).then(() => this.refresh()),
      (name) => this.bench().plans.find((plan) => plan.name === name));
    this.health = new Health();
    this.marks = [
      this.action("Mark: connected", () => api.mark(supply, channel, "connected"), "mark-connected"),
      this.action("Mark: button", () => api.mark(supply, channel, "button"), "mark-button"),
    ];
    return el("article", { class: "card", testid: `channel-${supply}-${channel}`, "aria-label": `${supply}, output ${channel}` },
      el("div", { class: "card-head" }, this.output,
        el("div", { class: "names" }, el("b", {}, `${supply} · ${channel}`), this.capture)),
      this.who, this.linkText,
      this.currentBox,
      el("div", { class: "row" }, this.voltageBox, this.powerBox),
      this.old, this.mode, this.stages.node, this.health.warning, this.set,
      this.plotBox,
      el("div", { class: "actions" }, this.on, this.off, ...this.marks),
      this.fault,
      el("div", { class: "spans" }, ...this.spanButtons),
      this.health.fold);
  }

  action(text, act, testid) {
    const node = button(text, () => attempt(node, this.fault, act).then(() => this.refresh()), { testid });
    return node;
  }

  setSpan(seconds) {
    this.plot.seconds = seconds;
    this.spanButtons.forEach((node, n) => node.setAttribute("aria-pressed", String(SPANS[n][0] === seconds)));
    this.dirty = true;
  }

  /** A new view of this channel. */
  update(view) {
    this.view = view;
    this.seenAt = performance.now();
    this.refresh();
  }

  add(samples) {
    this.feed.add(samples);
    this.dirty = true;
  }

  /** After a connection: what was missed. */
  async reload() {
    const { supply, channel } = this.view;
    this.feed.clear();
    const columns = await api.recent(supply, channel, SPANS[1][0], RECENT_POINTS).catch(() => null);
    if (columns) this.feed.prepend(columns);
    this.dirty = true;
  }

  /** How old the numbers on the card are, s; null: not known. */
  get readingAge() {
    const then = this.view.reading_age_s;
    return then === null ? null : then + (performance.now() - this.seenAt) / 1000;
  }

  /** Everything but the plot. `live`: whether the page hears the bench. */
  refresh(live = this.live) {
    this.live = live;
    const view = this.view;
    const shown = live ? view.output : "unknown";
    setText(this.output, shown);
    setData(this.node, "output", shown);
    setText(this.capture, !live ? "not heard from" : view.latched ? "tripped: re-arm first" : capture(view.capture));
    setText(this.current, amps(view.current_a));
    setText(this.voltage, volts(view.voltage_v));
    setText(this.power, watts(view.power_w));
    const old = this.readingAge;
    const stale = !live || (old !== null && old > OLD_S);
    setData(this.node, "stale", String(stale));
    setText(this.old, !stale ? "" : old === null ? "no reading" : `these numbers are ${age(old)} old`);
    setText(this.mode, view.mode === "off" ? "" : mode(view.mode));
    setData(this.mode, "mode", view.mode);
    setText(this.set, `${view.plan}: ${withUnit(view.set_voltage_v, "V")}, limit ${withUnit(view.limit_a, "A")}` +
      ` · ${Number(view.rate_per_s.toPrecision(2))} readings/s`);
    this.introduce(view);
    this.stages.refresh(view, shown);
    this.health.refresh(view, shown, (performance.now() - this.seenAt) / 1000);
    setText(this.linkText, view.link_up ? "" : `Supply not reached. ${view.link_text}`);
    this.on.disabled = !live || !view.link_up || view.latched || view.output !== "off";
    this.on.hidden = live && view.output !== "off";
    this.off.hidden = !this.on.hidden;
    for (const node of this.marks) node.hidden = shown !== "on";
  }

  /** Who the supply is, and how well its profile is verified. */
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
  }
}
