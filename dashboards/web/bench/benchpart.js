// The part of the page with the bench itself: one card an output, what stands over all of them, and the tools.

import { deviceAhead } from "../shared/clock.js";
import { button, el, setText } from "../shared/dom.js";
import { age } from "../shared/format.js";
import { BigNumbers } from "./bignumbers.js";
import { ChannelCard } from "./channel.js";
import { Followers } from "./followers.js";
import { Hearing } from "./hearing.js";

/** @import { BenchView } from "../shared/types.js" */
/** @import { FootSwitch } from "./footswitch.js" */
/** @import { SamplesMessage } from "./feed.js" */

/** 20 frames a second. */
const DRAW_MS = 50;
/** For whom less movement is better. */
const CALM_MS = 500;
/** A device whose clock is further off than this is told so, s. */
const CLOCK_OFF_S = 60;

/** @param {string} supply @param {number} channel */
const keyOf = (supply, channel) => `${supply} ${channel}`;

export class BenchPart {
  /** @param {HTMLElement} node the part of the page that it fills */
  constructor(node) {
    this.node = node;
    /** @type {BenchView | null} */
    this.view = null;
    /** @type {Map<string, ChannelCard>} */
    this.cards = new Map();
    /** @type {FootSwitch | null} */
    this.footSwitch = null;
    this.hearing = new Hearing();
    this.drawnAt = 0;
    this.allBenches = el("a", { id: "all-benches", class: "like-button", href: "/benches", hidden: true }, "All benches");
    this.clock = el("p", { class: "soft device-clock", testid: "device-clock" });
    node.append(el("div", { class: "tools" },
      el("a", { class: "like-button", href: "#plans", testid: "plans" }, "Power plans …"),
      el("a", { class: "like-button", href: "#measure", testid: "measure" }, "Measure …"), this.allBenches,
      button("Foot switch …", () => this.footSwitch?.ask(), { testid: "foot-switch" }),
      button("Sound and voice …", () => this.hearing.ask(), { testid: "hearing" }),
      button("Big numbers", () => this.big.on(), { testid: "big" }),
      this.clock, this.hearing.hint));
    this.calm = matchMedia("(prefers-reduced-motion: reduce)");
    this.big = new BigNumbers();
    this.followers = new Followers(node);
    requestAnimationFrame((now) => this.draw(now));
  }

  /** @param {BenchView} view */
  update(view) {
    this.view = view;
    this.allBenches.hidden = !view.followers?.mqtt; // they meet at the broker
    for (const channel of view.channels) {
      const key = keyOf(channel.supply, channel.channel);
      let card = this.cards.get(key);
      if (card === undefined) {
        card = new ChannelCard(channel, () => this.view);
        this.cards.set(key, card);
        this.node.append(card.node);
        card.reload();
      }
      card.update(channel);
      this.hearing.update(channel);
    }
    for (const [key, card] of this.cards) {
      if (view.channels.some((one) => keyOf(one.supply, one.channel) === key)) continue;
      card.remove();
      this.cards.delete(key);
    }
    this.followers.update(view);
  }

  /** @param {SamplesMessage} message */
  samples(message) {
    this.cards.get(keyOf(message.supply, message.channel))?.add(message);
    this.hearing.samples(message);
  }

  reload() {
    for (const card of this.cards.values()) card.reload();
  }

  /** @param {boolean} live */
  refresh(live) {
    for (const card of this.cards.values()) card.refresh(live);
    this.hearing.refresh(live);
    const ahead = deviceAhead();
    const wrong = ahead !== null && Math.abs(ahead) > CLOCK_OFF_S;
    setText(this.clock, wrong ? `This device's clock is ${age(Math.abs(ahead))} ${ahead > 0 ? "ahead" : "behind"}. Times here are by the bench's clock.` : "");
  }

  /** @param {number} now */
  draw(now) {
    requestAnimationFrame((next) => this.draw(next));
    // A frame that comes a little early counts: else every second one of a 60 Hz screen's thirds is missed.
    if (now - this.drawnAt < (this.calm.matches ? CALM_MS : DRAW_MS) - 4) return;
    this.drawnAt = now;
    for (const card of this.cards.values()) card.draw();
  }
}
