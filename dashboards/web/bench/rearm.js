// The re-arm button: counts its pause down, asks once more, and only then releases the latch.

import { api, messageOf } from "../shared/api.js";
import { button, setText } from "../shared/dom.js";

/** @import { ChannelView } from "../shared/types.js" */

const SURE_MS = 6000;
/** Two presses of a key that come quicker are a key that bounces, or a scanner that types. */
const LEAST_APART_MS = 400;

export class Rearm {
  /**
   * @param {ChannelView} channel
   * @param {HTMLElement} fault where it says what went wrong
   * @param {() => void} quiet called when a person has noticed the trip
   */
  constructor(channel, fault, quiet) {
    this.channel = channel;
    this.fault = fault;
    this.quiet = quiet;
    /** @type {number | null} */
    this.askedAt = null;
    this.readyAt = 0;
    this.node = button("", () => this.press("page"), { testid: "rearm", class: "rearm", "data-changes": true });
    this.update(channel);
  }

  /** @param {ChannelView} channel */
  update(channel) {
    this.channel = channel;
    this.readyAt = performance.now() + (channel.rearm_wait_s ?? 0) * 1000;
    this.refresh();
  }

  /** s until it may be re-armed. */
  get wait() {
    return Math.max(0, (this.readyAt - performance.now()) / 1000);
  }

  get sure() {
    return this.askedAt !== null && performance.now() - this.askedAt < SURE_MS;
  }

  refresh() {
    this.node.disabled = this.channel.output !== "off" || this.wait > 0;
    if (this.wait > 0) setText(this.node, `Re-arm in ${Math.ceil(this.wait)} s`);
    else setText(this.node, this.sure ? "Fault found and cleared? Tap again to re-arm" : "Re-arm …");
  }

  /** Forget that it was asked: something else happened in between. */
  forget() {
    this.askedAt = null;
    this.refresh();
  }

  /**
   * The first press asks, the second one within 6 s re-arms. Returns what to tell the one who pressed.
   * @param {string} by through which face
   */
  async press(by) {
    this.quiet();
    if (this.channel.output !== "off") return "Not re-armed: the output is not confirmed off.";
    if (this.wait > 0) return `Not re-armed: wait ${Math.ceil(this.wait)} s.`;
    if (!this.sure) {
      this.askedAt = performance.now();
      this.refresh();
      setTimeout(() => this.refresh(), SURE_MS + 50);
      return "Fault found and cleared? Press again to re-arm.";
    }
    if (by !== "page" && performance.now() - Number(this.askedAt) < LEAST_APART_MS) return "Pressed twice too quickly: press again.";
    this.forget();
    setText(this.fault, "");
    try {
      await api.rearm(this.channel, by);
      return "Re-armed. The output stays off.";
    } catch (problem) {
      setText(this.fault, messageOf(problem));
      return messageOf(problem);
    }
  }
}
