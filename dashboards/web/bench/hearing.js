// What the page lets be heard, for eyes that stay in the microscope: sounds, and what is said aloud.

import { el } from "../shared/dom.js";
import { rule } from "../shared/words.js";
import { readChoice } from "./hearingchoice.js";
import { HearingSheet } from "./hearingsheet.js";
import { Noticing } from "./noticing.js";
import { Sounds } from "./sounds.js";
import { CurrentTalk, currentWords, findingWords, lostWords, tripWords } from "./spoken.js";
import { Voice } from "./voice.js";

/** @import { ChannelView } from "../shared/types.js" */
/** @import { SamplesMessage } from "./feed.js" */
/** @import { Happening } from "./noticing.js" */
/** @import { Sound } from "./tones.js" */

/** What is followed of one output. @typedef {{ view: ChannelView, noticing: Noticing, talk: CurrentTalk }} Followed */

export class Hearing {
  constructor() {
    this.choice = readChoice();
    this.sounds = new Sounds();
    this.voice = new Voice();
    this.voice.name = this.choice.voice;
    this.live = false;
    /** @type {Map<string, Followed>} */
    this.outputs = new Map();
    /** Sounds that cannot be heard yet are told of. */
    this.hint = el("p", { class: "soft sound-hint", testid: "sound-hint" });
  }

  ask() {
    new HearingSheet(this).show();
  }

  /** @param {Sound} sound */
  play(sound) {
    if (this.choice.on) this.sounds.play(sound, this.choice.volume[sound], this.choice.shake);
  }

  /** @param {ChannelView} view */
  update(view) {
    const key = `${view.supply} ${view.channel}`;
    const one = this.outputs.get(key) ?? { view, noticing: new Noticing(), talk: new CurrentTalk() };
    this.outputs.set(key, one);
    one.view = view;
    this.tell(one, one.noticing.update(view));
  }

  /** @param {SamplesMessage} message */
  samples(message) {
    const one = this.outputs.get(`${message.supply} ${message.channel}`);
    if (one === undefined) return;
    this.tell(one, one.noticing.samples(message));
    const amps = message.i[message.i.length - 1];
    if (typeof amps === "number") this.sayCurrent(one, amps);
  }

  /** @param {Followed} one @param {Happening[]} happened */
  tell(one, happened) {
    for (const what of happened) {
      if (what !== "finding") this.play(what);
      else if (this.choice.speak && this.choice.findings) {
        const { finding } = one.view;
        if (finding) this.voice.say((tongue) => findingWords(finding, tongue), true);
      }
    }
  }

  /** @param {Followed} one @param {number} amps */
  sayCurrent(one, amps) {
    const { speak, current } = this.choice;
    // Of an output that is off there is nothing to hear; what is being said is not interrupted by a number.
    if (!speak || current === "off" || one.view.output !== "on" || this.voice.busy) return;
    if (!one.talk.due(amps, performance.now() / 1000, current === "change" ? 0 : Number(current))) return;
    const several = [...this.outputs.values()].filter(({ view }) => view.output === "on").length > 1;
    this.voice.say((tongue) => `${several ? `${one.view.channel}: ` : ""}${currentWords(amps, tongue)}`);
  }

  /** @param {ChannelView} channel */
  trip(channel) {
    this.sounds.insist(() => this.play("trip"));
    const id = channel.trip?.rule ?? "";
    if (this.choice.speak) this.voice.say((tongue) => tripWords(rule(id), id, channel.output === "off", tongue), true);
  }

  /** A person has noticed. */
  quiet() {
    this.sounds.quiet();
  }

  /** @param {boolean} live whether the page hears the bench */
  refresh(live) {
    if (this.live && !live && this.choice.speak) this.voice.say(lostWords, true);
    this.live = live;
    this.hint.textContent = this.choice.on && !this.sounds.ready ? "Sounds wait for a first tap on this page." : "";
  }
}
