// The cut-off: one tap, or Escape twice, and every output of the bench goes off. A script of its own: it waits for nothing else of the page.

import { api, Fault, messageOf } from "../shared/api.js";
import { byId, setData, setText } from "../shared/dom.js";

const TRIES = 3;
const CLEAR_MS = 6000;
/** What the bench could not do in that moment (its guard starts anew, a supply is not reached) it may be able to soon. */
const LATER = ["wrong-state", "link-down"];
const LATER_TRIES = 5;
const LATER_MS = 1000;
/** A touch arrives a second time when the finger is lifted. */
const SAME_TOUCH_MS = 1000;

/** What keys and the foot switch call: the same as a touch. @type {() => void} */
export let cutAll = () => {};

/** It acts when it is touched, not when it is let go: a thick glove slips. */
function wire() {
  const cut = byId("cut");
  const text = byId("cut-text");
  let busy = false;
  /** @type {ReturnType<typeof setTimeout> | undefined} */
  let clearing;

  /** @param {string} state @param {string} words */
  const say = (state, words) => {
    setData(text, "state", state);
    setText(text, words);
    clearTimeout(clearing);
  };
  const act = async () => {
    if (busy) return;
    busy = true;
    say("busy", "Cutting …");
    for (let left = LATER_TRIES; ; left--) {
      const fault = await persistently(api.allOff).then(() => null, (thrown) => thrown);
      if (fault === null) {
        say("done", "All outputs are off, read back.");
        clearing = setTimeout(() => say("", ""), CLEAR_MS);
        break;
      }
      say("failed", `NOT CONFIRMED: use the supply's own switch. ${messageOf(fault)}`);
      if (left <= 1 || !LATER.includes(fault.code)) break;
      await new Promise((done) => { setTimeout(done, LATER_MS); });
    }
    busy = false;
  };
  cutAll = act;
  let touchedAt = -Infinity;
  cut.addEventListener("pointerdown", () => {
    touchedAt = performance.now();
    act();
  });
  byId("cut-form").addEventListener("submit", (event) => {
    event.preventDefault();
    // Keyboard and assistive technology arrive here alone.
    if (performance.now() - touchedAt > SAME_TOUCH_MS) act();
  });
}

/** @param {() => Promise<unknown>} action */
async function persistently(action) {
  for (let left = TRIES; ; left--) {
    try {
      return await action();
    } catch (fault) {
      // A code means that the bench answered: asking again would not change its mind.
      if ((fault instanceof Fault && fault.code) || left <= 1) throw fault;
    }
  }
}

/** Two presses of Escape within this are meant: the first one closes a sheet. Held down it counts, too. */
const TWICE_MS = 1000;

/** The fixed key, from everywhere on the page: also while a field is typed in. */
function wireKey() {
  let first = -Infinity;
  addEventListener("keydown", (event) => {
    if (event.key !== "Escape") {
      first = -Infinity;
      return;
    }
    if (event.timeStamp - first <= TWICE_MS) {
      first = -Infinity;
      cutAll();
    } else first = event.timeStamp;
  }, { capture: true });
}

wire();
wireKey();
