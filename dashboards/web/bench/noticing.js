// What a technician wants to hear of without looking: found in what the bench tells, once each.

/** @import { ChannelView } from "../shared/types.js" */
/** @import { SamplesMessage } from "./feed.js" */
/** @typedef {"button" | "boot" | "settled" | "finding"} Happening */

/** A board at work: in each of so many seconds after its button its current has kept above this and moved by that share
 * of its mean (common practice, no source). */
const BUSY_SECONDS = 3;
const BUSY_A = 0.08;
const BUSY_SHARE = 0.25;

/** One output. */
export class Noticing {
  constructor() {
    this.first = true;
    /** Time of the newest button that was told, ns. */
    this.button_ns = 0;
    this.capture = "";
    this.found = "";
    /** @type {BootWatch | null} */
    this.boot = null;
  }

  /**
   * How the output stands now. Of what was so when the page was opened nothing is told.
   * @param {ChannelView} view
   * @returns {Happening[]}
   */
  update(view) {
    /** @type {Happening[]} */
    const told = [];
    const button = Math.max(0, ...view.marks.filter((one) => one.kind === "button").map((one) => one.t_ns));
    if (button > this.button_ns) {
      this.button_ns = button;
      if (view.trace !== null) this.boot = new BootWatch(button);
      told.push("button");
    }
    if (view.capture !== this.capture && view.capture === "settled") told.push("settled");
    this.capture = view.capture;
    if (view.trace === null) this.boot = null;
    const found = view.finding?.trace ?? "";
    if (found && found !== this.found) told.push("finding");
    this.found = found;
    const first = this.first;
    this.first = false;
    return first ? [] : told;
  }

  /**
   * New readings.
   * @param {SamplesMessage} message
   * @returns {Happening[]}
   */
  samples(message) {
    if (this.boot === null || !this.boot.add(message)) return [];
    this.boot = null;
    return ["boot"];
  }
}

/** Watches the current after a button until it looks like that of a board at work. */
export class BootWatch {
  /** @param {number} button_ns */
  constructor(button_ns) {
    this.button_ns = button_ns;
    this.second = 0;
    this.busy = 0;
    /** @type {number[]} */
    this.amps = [];
  }

  /**
   * True: it is at work.
   * @param {SamplesMessage} message
   */
  add(message) {
    for (let n = 0; n < message.t_ms.length; n++) {
      const second = Math.floor((message.t0_ns + message.t_ms[n] * 1e6 - this.button_ns) / 1e9);
      if (second < 0) continue;
      if (second !== this.second) this.over(second);
      const amps = message.i[n];
      if (amps !== null) this.amps.push(amps);
    }
    return this.busy >= BUSY_SECONDS;
  }

  /** @param {number} next the second that begins */
  over(next) {
    const mean = this.amps.reduce((sum, one) => sum + one, 0) / this.amps.length;
    const [low, high] = [Math.min(...this.amps), Math.max(...this.amps)];
    const busy = this.amps.length > 1 && low >= BUSY_A && high - low >= BUSY_SHARE * mean;
    // The second of the button itself begins with next to nothing; a second without readings ends the row.
    if (busy && next === this.second + 1) this.busy += 1;
    else if (this.second > 0) this.busy = 0;
    this.second = next;
    this.amps = [];
  }
}
