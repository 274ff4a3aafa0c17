// Sounds by Web Audio. Browsers allow them only after the page was touched once.

import { SHAKES, TONES } from "./tones.js";

/** @import { Sound } from "./tones.js" */

const REPEATS = 3;
const PAUSE_MS = 5000;
const LOUDEST = 0.5;
/** So that a tone neither begins nor ends with a click, s. */
const SOFT_S = 0.01;

export class Sounds {
  constructor() {
    /** @type {AudioContext | null} */
    this.context = null;
    /** @type {ReturnType<typeof setTimeout> | undefined} */
    this.timer = undefined;
    for (const event of ["pointerdown", "keydown"]) addEventListener(event, () => this.allow(), { passive: true });
  }

  /** Whether a sound would be heard. */
  get ready() {
    return this.context?.state === "running";
  }

  allow() {
    if (!("AudioContext" in window)) return;
    this.context ??= new AudioContext();
    if (this.context.state === "suspended") this.context.resume();
  }

  /**
   * @param {Sound} sound
   * @param {number} volume 0 to 1
   * @param {boolean} shake whether the device shakes, too, where it can
   */
  play(sound, volume, shake) {
    // Before a first tap a browser would refuse, and complain.
    if (shake && navigator.userActivation?.hasBeenActive) navigator.vibrate?.(SHAKES[sound]);
    if (this.context === null || !this.ready || volume <= 0) return;
    const start = this.context.currentTime;
    for (const tone of TONES[sound]) {
      const oscillator = this.context.createOscillator();
      const gain = this.context.createGain();
      const [at, end, level] = [start + tone.at, start + tone.at + tone.for, volume * LOUDEST];
      oscillator.type = tone.shape;
      oscillator.frequency.value = tone.hz;
      gain.gain.setValueAtTime(0, at);
      gain.gain.linearRampToValueAtTime(level, at + SOFT_S);
      gain.gain.setValueAtTime(level, end - SOFT_S);
      gain.gain.linearRampToValueAtTime(0, end);
      oscillator.connect(gain).connect(this.context.destination);
      oscillator.start(at);
      oscillator.stop(end + SOFT_S);
    }
  }

  /**
   * A few times over, unless quieted.
   * @param {() => void} once plays it
   */
  insist(once) {
    this.quiet();
    let left = REPEATS;
    const next = () => {
      once();
      left -= 1;
      this.timer = left > 0 ? setTimeout(next, PAUSE_MS) : undefined;
    };
    next();
  }

  quiet() {
    clearTimeout(this.timer);
    this.timer = undefined;
  }
}
