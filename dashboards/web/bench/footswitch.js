// The foot switch: a keyboard with one or three keys. Which key does what is chosen here and kept in this browser.
// No single key ever switches an output on.

import { api, messageOf } from "../shared/api.js";
import { button, el, setText } from "../shared/dom.js";
import { Pace, SCANNER_MS } from "../shared/pace.js";
import { say } from "../shared/said.js";
import { closeSheet, showSheet } from "../shared/sheet.js";
import { cutAll } from "./cut.js";

/** @import { BenchView } from "../shared/types.js" */
/** @import { Rearm } from "./rearm.js" */
/** @import { Trips } from "./trips.js" */
/** A key as the browser names it, and as people do. @typedef {{ code: string, label: string }} Key */

const STORE = "benchd-foot-switch";
/** @type {Record<string, [string, string]>} */
const ACTIONS = {
  cut: ["Cut all outputs", "At once, from every view. Escape twice does so, too, whatever is chosen here."],
  next: ["Next", "In the stage hold: raise the limit, where the plan waits for it. While booting: mark the button."],
  rearm: ["Re-arm", "Press twice within 6 s, as the button asks. The output stays off."],
};
/** Keys by which people move about the page, and those that are held with others. */
const NOT_THESE = new Set(["Enter", "NumpadEnter", "Space", "Tab", "Escape", "ArrowUp", "ArrowDown", "ArrowLeft", "ArrowRight",
  "ShiftLeft", "ShiftRight", "ControlLeft", "ControlRight", "AltLeft", "AltRight", "MetaLeft", "MetaRight", "CapsLock"]);
const SILENT_FIELDS = new Set(["checkbox", "radio", "button", "submit"]);

/**
 * Where a key is text, or chooses something.
 * @param {EventTarget | null} target
 */
function typing(target) {
  if (!(target instanceof Element)) return false;
  if (target.closest("textarea, select, [contenteditable]")) return true;
  const input = target.closest("input");
  return input !== null && !SILENT_FIELDS.has(input.type);
}

export class FootSwitch {
  /**
   * @param {() => BenchView | null} bench the view as heard now; null: the bench is not heard
   * @param {Trips} trips
   */
  constructor(bench, trips) {
    this.bench = bench;
    this.trips = trips;
    this.keys = read();
    /** @type {string | null} */
    this.learning = null;
    /** @type {Rearm | null} */
    this.armed = null;
    /** @type {Set<string>} */
    this.held = new Set();
    this.pace = new Pace();
    this.fault = el("p", { class: "fault", role: "alert" });
    /** @type {Map<string, HTMLElement>} */
    this.choosers = new Map();
    addEventListener("keydown", (event) => this.down(event), { capture: true });
    addEventListener("keyup", (event) => this.held.delete(event.code), { capture: true });
    addEventListener("blur", () => this.held.clear());
  }

  /** @param {KeyboardEvent} event */
  down(event) {
    if (this.learning !== null) {
      this.learn(event);
      return;
    }
    const quick = !event.repeat && this.pace.key(event.key, event.timeStamp);
    const action = Object.keys(ACTIONS).find((name) => this.keys[name]?.code === event.code && event.code);
    const again = event.repeat || this.held.has(event.code);
    this.held.add(event.code);
    if (action !== "rearm" && !again) this.disarm();
    if (!action || typing(event.target) || event.ctrlKey || event.altKey || event.metaKey) return;
    event.preventDefault();
    event.stopPropagation();
    // A foot that rests on the key has pressed it once.
    if (!again) this.act(action, quick);
  }

  /**
   * @param {string} action
   * @param {boolean} quick whether the key came as a scanner's do
   */
  async act(action, quick) {
    if (action === "cut") {
      say("Foot switch: cut.");
      cutAll();
      return;
    }
    // What a scanner types may begin or end with this key.
    if (action === "next" && (quick || await this.goesOn())) {
      say("Foot switch: keys came as quickly as a scanner types. Not used.");
      return;
    }
    const view = this.bench();
    if (view === null) {
      say("Foot switch: this page does not hear the bench.");
      return;
    }
    try {
      say(`Foot switch: ${await (action === "next" ? this.next(view) : this.rearm())}`);
    } catch (fault) {
      say(`Foot switch: ${messageOf(fault)}`);
    }
  }

  /** Whether another key comes so soon that both belong to what a scanner types. */
  async goesOn() {
    const { count } = this.pace;
    await new Promise((done) => { setTimeout(done, SCANNER_MS); });
    return this.pace.count !== count;
  }

  /** @param {BenchView} view */
  async next(view) {
    const on = view.channels.filter((one) => one.output === "on");
    if (on.length === 0) return "no output is on.";
    if (on.length > 1) return "more than one output is on: use the buttons.";
    const [one] = on;
    const { supply, channel, stage, stage_by_hand: byHand } = one;
    if (stage === "probe") return "wait, the rail is being measured.";
    if (stage === "hold" && !byHand) return "wait, the limit is raised by itself.";
    if (stage === "hold") {
      await api.next(one, "foot-switch");
      return "limit raised.";
    }
    await api.mark(supply, channel, "button");
    return "button marked.";
  }

  async rearm() {
    const latched = this.trips.rearms;
    if (latched.length === 0) return "nothing has tripped.";
    if (latched.length > 1) return "more than one output has tripped: use the buttons.";
    [this.armed] = latched;
    return this.armed.press("foot-switch");
  }

  /** Another key came in between: the next press asks again. */
  disarm() {
    this.armed?.forget();
    this.armed = null;
  }

  /** The sheet where keys are chosen. */
  ask() {
    this.fault = el("p", { class: "fault", role: "alert" });
    this.choosers = new Map();
    const rows = Object.entries(ACTIONS).map(([name, [title, words]]) => {
      const choose = button("", () => this.startLearning(name), { testid: `foot-${name}` });
      const none = button("None", () => this.set(name, null), { testid: `foot-${name}-none`, "aria-label": `None: no key for ${title}` });
      this.choosers.set(name, choose);
      return el("li", { class: "foot-row" }, el("div", {}, el("b", {}, title), el("p", { class: "soft" }, words)), el("div", { class: "pair-buttons" }, choose, none));
    });
    showSheet("Foot switch", el("div", { class: "sheet-body" },
      el("p", {}, "A foot switch types a key. Choose which key does what; it is kept in this browser. Keys do nothing while you type in a field."),
      el("ul", { class: "rows" }, ...rows), this.fault, button("Done", closeSheet, { class: "go" })), "foot-sheet");
    this.showKeys();
  }

  showKeys() {
    for (const [name, node] of this.choosers) {
      setText(node, this.learning === name ? "Press the pedal …" : this.keys[name]?.label ?? "Choose a key");
      node.setAttribute("aria-pressed", String(this.learning === name));
    }
  }

  /** @param {string} name */
  startLearning(name) {
    this.learning = name;
    setText(this.fault, "");
    this.showKeys();
  }

  /** @param {KeyboardEvent} event */
  learn(event) {
    const name = /** @type {string} */ (this.learning);
    // The sheet was closed, by its own button or by the shade.
    if (!this.fault.isConnected || event.code === "Escape") {
      this.learning = null;
      if (this.fault.isConnected) this.showKeys();
      return;
    }
    if (event.code === "Tab") return;
    event.preventDefault();
    event.stopPropagation();
    const other = Object.keys(ACTIONS).find((one) => one !== name && this.keys[one]?.code === event.code);
    if (!event.code || NOT_THESE.has(event.code)) setText(this.fault, `${event.key}: the page itself needs this key. Set the switch to another one, for example F13 or b.`);
    else if (other) setText(this.fault, `${event.key}: this key is for “${ACTIONS[other][0]}” already.`);
    else {
      this.held.add(event.code);
      this.set(name, { code: event.code, label: event.key.length === 1 ? event.key.toUpperCase() : event.key });
    }
  }

  /** @param {string} name @param {Key | null} key */
  set(name, key) {
    this.learning = null;
    this.keys = { ...this.keys, [name]: key };
    try {
      localStorage.setItem(STORE, JSON.stringify(this.keys));
      setText(this.fault, "");
    } catch {
      setText(this.fault, "This browser keeps nothing: the key holds until the page is closed.");
    }
    this.showKeys();
  }
}

/** @returns {Record<string, Key | null>} */
function read() {
  try {
    const kept = JSON.parse(localStorage.getItem(STORE) ?? "{}");
    return Object.fromEntries(Object.keys(ACTIONS).map((name) => [name, typeof kept[name]?.code === "string" ? kept[name] : null]));
  } catch {
    return {};
  }
}
