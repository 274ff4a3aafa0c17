// The cut-off: one tap, every output of the bench. A script of its own: it waits for nothing else of the page.

import { api } from "../shared/api.js";
import { byId, setData, setText } from "../shared/dom.js";

const TRIES = 3;
const CLEAR_MS = 6000;

/** What the foot switch calls: the same as a touch. */
export let cutAll = () => {};

/** It acts when it is touched, not when it is let go: a thick glove slips. */
function wire() {
  const cut = byId("cut");
  const text = byId("cut-text");
  let busy = false;
  let clearing = null;

  const say = (state, words) => {
    setData(text, "state", state);
    setText(text, words);
    clearTimeout(clearing);
  };
  const act = async () => {
    if (busy) return;
    busy = true;
    say("busy", "Cutting …");
    try {
      await persistently(api.allOff);
      say("done", "All outputs are off, read back.");
      clearing = setTimeout(() => say("", ""), CLEAR_MS);
    } catch (fault) {
      say("failed", `NOT CONFIRMED: use the supply's own switch. ${fault.message}`);
    } finally {
      busy = false;
    }
  };
  cutAll = act;
  cut.addEventListener("pointerdown", act);
  byId("cut-form").addEventListener("submit", (event) => {
    event.preventDefault();
    // Keyboard and assistive technology arrive here; a touch arrives a second time, which is harmless.
    if (text.dataset.state !== "done") act();
  });
}

async function persistently(action) {
  for (let left = TRIES; ; left--) {
    try {
      return await action();
    } catch (fault) {
      // A code means that the bench answered: asking again would not change its mind.
      if (fault.code || left <= 1) throw fault;
    }
  }
}

wire();
