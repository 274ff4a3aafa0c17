// The trip banners: what tripped, whether it is made off, and the way back.

import { api } from "./api.js";
import { button, byId, el, setText } from "./dom.js";
import { clock, withUnit } from "./format.js";
import { rule } from "./words.js";

const SURE_MS = 6000;
const OFF = "Output is off, read back.";
const WAS_OFF = "It was off when the bench was last heard; what it is now is not known.";
/** Where a banner with all its details leaves no room for the other outputs. */
const SMALL = "(max-width: 699.9px), (max-height: 699.9px)";

export class Trips {
  constructor(alarm) {
    this.alarm = alarm;
    this.banners = new Map();
    this.sounded = new Set();
  }

  /** Show what is latched now. */
  update(view) {
    const there = new Set();
    for (const channel of view.channels) {
      if (!channel.latched) continue;
      const key = JSON.stringify([channel.supply, channel.channel, channel.output, channel.trip]);
      there.add(key);
      if (!this.banners.has(key)) {
        const banner = this.make(channel);
        this.banners.set(key, banner);
        byId("trips").append(banner);
      }
      // One sound a trip, even though its text grows when the off is confirmed.
      const name = `${channel.supply} ${channel.channel} ${channel.trip?.detected_ns}`;
      if (!this.sounded.has(name)) {
        this.sounded.add(name);
        this.alarm.sound();
      }
    }
    for (const [key, banner] of this.banners) {
      if (there.has(key)) continue;
      banner.remove();
      this.banners.delete(key);
    }
    if (there.size === 0) this.alarm.quiet();
  }

  /** A page that does not hear the bench does not say `off` either. */
  refresh(live) {
    for (const banner of this.banners.values()) {
      if (banner.dataset.confirmed === "true") setText(banner.querySelector(".trip-off"), live ? OFF : WAS_OFF);
    }
  }

  make(channel) {
    const trip = channel.trip ?? {};
    // `off` is only said after reading back, be it long after the trip itself had given up.
    const confirmed = channel.output === "off";
    const small = confirmed && matchMedia(SMALL).matches;
    const through = [[trip.let_through_c, "C"], [trip.let_through_j, "J"], [trip.let_through_a2s, "A²s"]]
      .filter(([value]) => typeof value === "number")
      .map(([value, unit]) => withUnit(value, unit));
    const facts = [
      trip.detected_ns ? `at ${clock(trip.detected_ns)}` : null,
      through.length ? `let through ${through.join(", ")}` : null,
    ].filter(Boolean);
    const fault = el("p", { class: "fault", role: "alert" });
    const banner = el("section", { class: "trip", testid: "trip-banner", "data-confirmed": String(confirmed) },
      el("h2", {}, `Tripped: ${rule(trip.rule) || "reason not known"}`),
      el("p", {}, `${channel.supply} · output ${channel.channel}`),
      el("p", { class: "detail" }, trip.text ?? ""),
      el("p", { class: "trip-off" }, confirmed ? OFF : "OFF IS NOT CONFIRMED. Switch off at the supply or pull its leads."),
      facts.length ? el("p", { class: "detail" }, facts.join(" · ")) : null,
      el("div", { class: "trip-actions" },
        this.rearmButton(channel, fault),
        // What is made safe may step back, so that the other outputs can be seen; what is not may not.
        confirmed ? this.foldButton(() => banner, small) : null),
      fault);
    banner.classList.toggle("folded", small);
    return banner;
  }

  foldButton(banner, folded) {
    const node = button("Less", () => {
      this.alarm.quiet();
      const folded = banner().classList.toggle("folded");
      setText(node, folded ? "More" : "Less");
    }, { class: "fold" });
    if (folded) setText(node, "More");
    return node;
  }

  rearmButton(channel, fault) {
    const ask = "Re-arm …";
    let sureUntil = 0;
    const node = button(ask, async () => {
      this.alarm.quiet();
      if (performance.now() > sureUntil) {
        sureUntil = performance.now() + SURE_MS;
        setText(node, "Fault found and cleared? Tap again to re-arm");
        setTimeout(() => setText(node, ask), SURE_MS);
        return;
      }
      sureUntil = 0;
      setText(node, ask);
      setText(fault, "");
      try {
        await api.rearm(channel.supply, channel.channel);
      } catch (problem) {
        setText(fault, problem.message);
      }
    }, { testid: "rearm", class: "rearm", disabled: channel.output !== "off" });
    return node;
  }
}
