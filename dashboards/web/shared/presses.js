// Presses that must not come late. What changes something on the bench carries `data-changes`; a press on it counts
// only when the bench was heard from its beginning to its end, and only once, however long it is held. A blank or the end
// of what a scanner types is no press of the button that happens to have the focus.

import { Pace } from "./pace.js";
import { say } from "./said.js";

export class Presses {
  constructor() {
    this.live = false;
    /** Goes up each time the link is lost. */
    this.losses = 0;
    /** @type {number | null} `losses` when the press began */
    this.began = null;
    this.pace = new Pace();
    /** The press is a scanner's. */
    this.scanned = false;
    const begin = () => { this.began = this.losses; };
    addEventListener("pointerdown", () => {
      this.scanned = false;
      begin();
    }, { capture: true });
    addEventListener("keydown", (event) => this.key(event, begin), { capture: true });
    // After its click, where it has one: what follows without a key (a voice, a screen reader) is a person's.
    addEventListener("keyup", () => setTimeout(() => { this.scanned = false; }), { capture: true });
    addEventListener("click", (event) => this.click(event), { capture: true });
  }

  /** @param {boolean} live whether the page hears the bench */
  refresh(live) {
    if (this.live && !live) this.losses += 1;
    this.live = live;
  }

  /** @param {KeyboardEvent} event @param {() => void} begin */
  key(event, begin) {
    const quick = this.pace.key(event.key, event.timeStamp);
    if (!event.repeat) {
      this.scanned = quick && event.target instanceof HTMLButtonElement;
      begin();
    // A held Enter would press the button again and again.
    } else if ((event.key === "Enter" || event.key === " ") && event.target instanceof HTMLButtonElement) event.preventDefault();
  }

  /** @param {MouseEvent} event */
  click(event) {
    const began = this.began ?? this.losses;
    this.began = null;
    if (!(event.target instanceof Element) || event.target.closest("[data-changes]") === null) return;
    const heard = this.live && began === this.losses;
    if (heard && !this.scanned) return;
    event.preventDefault();
    event.stopImmediatePropagation();
    say(heard ? "Not done: the key came as quickly as a scanner types. Press again."
      : "Not done: this page does not hear the bench, or lost it while the button was held.");
  }
}
