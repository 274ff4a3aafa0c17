// The browser's own speech. Nothing is sent anywhere by this page; some browsers' voices need the internet by
// themselves, and then only those of the device are offered.

import { tongueOf } from "./spoken.js";

/** @import { Tongue } from "./spoken.js" */

export class Voice {
  constructor() {
    this.speech = "speechSynthesis" in window ? window.speechSynthesis : null;
    this.name = "";
  }

  /** Voices that work with the cable to the internet unplugged. */
  get voices() {
    return (this.speech?.getVoices() ?? []).filter((voice) => voice.localService);
  }

  /** The one that was chosen, else the device's own. */
  get voice() {
    const { voices } = this;
    return voices.find((voice) => voice.name === this.name) ?? voices.find((voice) => voice.default) ?? voices[0];
  }

  get tongue() {
    return tongueOf(this.voice?.lang ?? navigator.language);
  }

  get busy() {
    return this.speech?.speaking === true || this.speech?.pending === true;
  }

  /**
   * @param {(tongue: Tongue) => string} words in the language of the voice
   * @param {boolean} first whether it goes before what is being said
   */
  say(words, first = false) {
    if (this.speech === null) return;
    if (first) this.speech.cancel();
    const said = new SpeechSynthesisUtterance(words(this.tongue));
    const { voice } = this;
    if (voice) [said.voice, said.lang] = [voice, voice.lang];
    this.speech.speak(said);
  }

  quiet() {
    this.speech?.cancel();
  }
}
