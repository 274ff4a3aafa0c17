// The sheet where sounds and voice are chosen. What is chosen holds at once, in this browser.

import { button, el, setText } from "../shared/dom.js";
import { closeSheet, showSheet } from "../shared/sheet.js";
import { CURRENTS, keepChoice } from "./hearingchoice.js";
import { currentWords } from "./spoken.js";
import { NAMES } from "./tones.js";

/** @import { Hearing } from "./hearing.js" */
/** @import { Sound } from "./tones.js" */

export class HearingSheet {
  /** @param {Hearing} hearing */
  constructor(hearing) {
    this.hearing = hearing;
    this.said = el("p", { class: "fault", role: "status" });
  }

  show() {
    const { choice, voice } = this.hearing;
    showSheet("Sound and voice", el("div", { class: "sheet-body" },
      this.tick("Sounds", choice.on, (yes) => { choice.on = yes; }, "sounds-on"),
      this.tick("The device shakes, too, where it can", choice.shake, (yes) => { choice.shake = yes; }, "shake-on"),
      el("div", { class: "volumes" }, .../** @type {Sound[]} */ (Object.keys(NAMES)).flatMap((sound) => this.volume(sound))),
      voice.speech === null ? el("p", { class: "soft" }, "This browser cannot speak.") : this.speech(),
      this.said, button("Done", closeSheet, { class: "go" })), "hearing-sheet");
  }

  speech() {
    const { choice, voice } = this.hearing;
    const words = (tongue = voice.tongue) => currentWords(0.062, tongue);
    return el("fieldset", {}, el("legend", {}, "Said aloud"),
      this.tick("Speak", choice.speak, (yes) => { choice.speak = yes; if (!yes) voice.quiet(); }, "speak-on"),
      this.tick("What a power-up says, when it is known", choice.findings, (yes) => { choice.findings = yes; }, "speak-findings"),
      this.select("The current", "speak-current", CURRENTS, choice.current, (id) => { choice.current = id; }),
      this.select("Voice", "speak-voice", [["", "the device's own"], ...voice.voices.map((one) => /** @type {[string, string]} */ ([one.name, `${one.name} (${one.lang})`]))],
        choice.voice, (name) => { choice.voice = voice.name = name; }),
      button("Try it", () => voice.say(words, true), { testid: "speak-try" }));
  }

  keep() {
    setText(this.said, keepChoice(this.hearing.choice) ? "" : "This browser keeps nothing: it holds until the page is closed.");
  }

  /** @param {string} words @param {boolean} is @param {(yes: boolean) => void} set @param {string} testid */
  tick(words, is, set, testid) {
    const box = el("input", { type: "checkbox", checked: is, testid, on: { change: () => { set(box.checked); this.keep(); } } });
    return el("label", { class: "tick" }, box, words);
  }

  /** @param {string} words @param {string} id @param {[string, string][]} choices @param {string} chosen @param {(id: string) => void} set */
  select(words, id, choices, chosen, set) {
    const node = el("select", { id, testid: id, on: { change: () => { set(node.value); this.keep(); } } },
      ...choices.map(([value, text]) => el("option", { value, selected: value === chosen }, text)));
    return el("div", { class: "plan-field" }, el("label", { for: id }, words), node);
  }

  /** @param {Sound} sound */
  volume(sound) {
    const { choice, sounds } = this.hearing;
    const slider = el("input", { id: `volume-${sound}`, type: "range", min: 0, max: 100, step: 5, value: Math.round(choice.volume[sound] * 100),
      testid: `volume-${sound}`, on: { change: () => { choice.volume[sound] = Number(slider.value) / 100; this.keep(); } } });
    const hear = button("Hear", () => sounds.play(sound, choice.volume[sound], choice.shake), { "aria-label": `Hear: ${NAMES[sound]}` });
    return [el("label", { for: slider.id }, NAMES[sound]), slider, hear];
  }
}
