// One tone that goes on and follows a figure: the ear finds what the eye, in the microscope, does not look for.

import { pitch } from "./measurewords.js";

/** @import { Hearing } from "../bench/hearing.js" */

/** Loud enough beside a fan; a tone that goes on tires sooner than short ones. */
const LOUDEST = 0.3;
/** How fast pitch and loudness follow, s: without clicks, and no slower than a hand. */
const FOLLOW_S = 0.04;

export class Ear {
  /** @param {Hearing} hearing its volume, its off switch, and what plays */
  constructor(hearing) {
    this.hearing = hearing;
    /** @type {OscillatorNode | null} */
    this.tone = null;
    /** @type {GainNode | null} */
    this.gain = null;
  }

  /** @param {number | null | undefined} ear 0 to 1; null: silence */
  follow(ear) {
    const { choice, sounds } = this.hearing;
    const hz = pitch(ear);
    const level = choice.on ? choice.volume.probe * LOUDEST : 0;
    const { context } = sounds;
    if (hz === null || level <= 0 || context === null || !sounds.ready) return this.silence();
    if (this.tone === null || this.gain === null) {
      this.tone = context.createOscillator();
      this.gain = context.createGain();
      this.tone.type = "triangle";
      this.tone.frequency.value = hz;
      this.gain.gain.value = 0;
      this.tone.connect(this.gain).connect(context.destination);
      this.tone.start();
    }
    this.tone.frequency.setTargetAtTime(hz, context.currentTime, FOLLOW_S);
    this.gain.gain.setTargetAtTime(level, context.currentTime, FOLLOW_S);
    return undefined;
  }

  silence() {
    const { context } = this.hearing.sounds;
    if (this.tone !== null && this.gain !== null && context !== null) {
      this.gain.gain.setTargetAtTime(0, context.currentTime, FOLLOW_S);
      this.tone.stop(context.currentTime + FOLLOW_S * 5);
    }
    this.tone = this.gain = null;
  }
}
