// The trip banners: what tripped, whether it is made off, its picture, and the way back.

import { api } from "../shared/api.js";
import { button, byId, el, setText } from "../shared/dom.js";
import { begin, clock } from "../shared/format.js";
import { nextSteps } from "../shared/nextsteps.js";
import { momentWords, TripPlot } from "../shared/tripplot.js";
import { budgetLine, disagreement, throughWords } from "../shared/tripwords.js";
import { rule } from "../shared/words.js";
import { Rearm } from "./rearm.js";

/** @import { BenchView, ChannelView } from "../shared/types.js" */
/** Sounds for a trip, until a person has noticed it. @typedef {{ trip: (channel: ChannelView) => void, quiet: () => void }} Sounding */

const OFF = "Output is off, read back.";
const WAS_OFF = "It was off when the bench was last heard; what it is now is not known.";
/** Where a banner with all its details leaves no room for the other outputs. */
const SMALL = "(max-width: 699.9px), (max-height: 699.9px)";

export class Trips {
  /** @param {Sounding} alarm */
  constructor(alarm) {
    this.alarm = alarm;
    /** @type {Map<string, Banner>} */
    this.banners = new Map();
    /** @type {Set<string>} */
    this.sounded = new Set();
  }

  /** Another view is looked at, or there is one more. */
  look() {
    for (const banner of this.banners.values()) banner.look(this.banners.size === 1);
  }

  /**
   * Show what is latched now.
   * @param {BenchView} view
   */
  update(view) {
    const before = new Set(this.banners.keys());
    const there = new Set();
    for (const channel of view.channels) {
      if (!channel.latched) continue;
      const key = keyOf(channel);
      there.add(key);
      let banner = this.banners.get(key);
      if (banner === undefined) {
        banner = new Banner(channel, this.alarm);
        this.banners.set(key, banner);
        byId("trips").append(banner.node);
      }
      banner.update(channel);
      // One sound a trip, even though its text grows when the off is confirmed.
      const name = `${channel.supply} ${channel.channel} ${channel.trip?.detected_ns}`;
      if (!this.sounded.has(name)) {
        this.sounded.add(name);
        this.alarm.trip(channel);
      }
    }
    if (there.size > 1 && [...there].some((key) => !before.has(key))) this.look();
    for (const [key, banner] of this.banners) {
      if (there.has(key)) continue;
      banner.remove();
      this.banners.delete(key);
    }
    if (there.size === 0) this.alarm.quiet();
  }

  /**
   * A page that does not hear the bench does not say `off` either.
   * @param {boolean} live
   */
  refresh(live) {
    for (const banner of this.banners.values()) banner.refresh(live);
  }

  /** The re-arm buttons of what is latched now. */
  get rearms() {
    return [...this.banners.values()].map((banner) => banner.rearm);
  }
}

/**
 * A banner is made anew when its trip is another one, or is told more of; its number in the log is no news.
 * @param {ChannelView} channel
 */
function keyOf({ supply, channel, output, trip }) {
  return JSON.stringify([supply, channel, output, { ...trip, number: null }]);
}

class Banner {
  /** @param {ChannelView} channel @param {Sounding} alarm */
  constructor(channel, alarm) {
    this.alarm = alarm;
    // `off` is only said after reading back, be it long after the trip itself had given up.
    this.confirmed = channel.output === "off";
    const fault = el("p", { class: "fault", role: "alert" });
    this.rearm = new Rearm(channel, fault, () => alarm.quiet());
    this.picture = el("div", { class: "trip-picture detail", "aria-live": "off", hidden: true, testid: "trip-picture" });
    /** @type {number | null} */
    this.number = null;
    /** @type {TripPlot | null} */
    this.plot = null;
    this.off = el("p", { class: "trip-off" }, this.confirmed ? OFF : "OFF IS NOT CONFIRMED. Switch off at the supply or pull its leads.");
    this.folder = button("Less", () => {
      this.alarm.quiet();
      this.fold(!this.node.classList.contains("folded"));
    }, { class: "fold" });
    // What is made safe may step back, so that the other outputs can be seen; what is not may not.
    this.folder.hidden = !this.confirmed;
    this.node = this.build(channel, fault);
    this.look(true);
  }

  /**
   * Open in full where the bench is looked at, and there is room; elsewhere one looks at something else.
   * @param {boolean} alone whether nothing else is latched
   */
  look(alone) {
    this.fold(this.confirmed && !(alone && document.body.dataset.view === "bench" && !matchMedia(SMALL).matches));
  }

  /** @param {ChannelView} channel @param {HTMLElement} fault */
  build(channel, fault) {
    const trip = channel.trip ?? {};
    const facts = [trip.detected_ns ? `at ${clock(trip.detected_ns)}` : "", throughWords(trip)].filter(Boolean).join(" · ");
    /** @param {HTMLElement | null} node */
    const detail = (node) => {
      node?.classList.add("detail");
      return node;
    };
    return el("section", { class: "trip", testid: "trip-banner", "data-confirmed": String(this.confirmed) },
      el("div", { class: "trip-words" },
        el("h2", {}, `Tripped: ${rule(trip.rule) || "reason not known"} `,
          el("span", { class: "trip-where" }, `${channel.supply} · output ${channel.channel}`)),
        disagreement(trip),
        detail(el("p", {}, begin(trip.text))),
        this.off,
        facts ? detail(el("p", {}, facts)) : null,
        detail(budgetLine(trip)),
        detail(el("div", { class: "do-next", testid: "do-next" }, el("h3", {}, "What to do next"),
          el("ol", {}, ...nextSteps(trip).map((text) => el("li", {}, text)))))),
      this.picture,
      el("div", { class: "trip-actions", "aria-live": "off" }, this.rearm.node, this.folder),
      fault);
  }

  /** @param {boolean} folded */
  fold(folded) {
    this.node.classList.toggle("folded", folded);
    setText(this.folder, folded ? "More" : "Less");
  }

  /** @param {ChannelView} channel */
  update(channel) {
    this.rearm.update(channel);
    const number = channel.trip?.number ?? null;
    if (number === null || number === this.number) return;
    this.number = number;
    this.draw(number);
  }

  /** @param {number} number */
  async draw(number) {
    const detail = await api.trip(number).catch(() => null);
    if (detail === null || this.number !== number || !this.node.isConnected) return;
    const box = el("div", { class: "plot" });
    this.picture.replaceChildren(box, el("p", { class: "moments" }, momentWords(detail.readings), " ",
      el("a", { class: "like-button", href: `#trip/${number}` }, "Look closer")));
    this.picture.hidden = false;
    this.plot = new TripPlot(box, detail);
  }

  /** @param {boolean} live */
  refresh(live) {
    this.rearm.refresh();
    if (this.confirmed) setText(this.off, live ? OFF : WAS_OFF);
  }

  remove() {
    this.number = null;
    this.plot?.destroy();
    this.node.remove();
  }
}
