// Small parts that the views of settings share.

import { Fault } from "../shared/api.js";
import { button, el, setText } from "../shared/dom.js";
import { attempt } from "../shared/sheet.js";

const SURE_MS = 6000;

/** @param {string} text @param {string} href */
export const back = (text = "◀ Settings", href = "#settings") => el("a", { class: "like-button quiet back", href }, text);

/**
 * A button that does something only when it is tapped twice.
 * @param {string} words
 * @param {string} sure
 * @param {(node: HTMLButtonElement) => unknown} action
 * @param {import("../shared/dom.js").Props} props
 * @returns {HTMLButtonElement}
 */
export function twice(words, sure, action, props) {
  let until = 0;
  const node = button(words, async () => {
    if (performance.now() > until) {
      until = performance.now() + SURE_MS;
      setText(node, sure);
      setTimeout(() => setText(node, words), SURE_MS);
      return;
    }
    until = 0;
    setText(node, words);
    await action(node);
  }, { "data-changes": true, ...props });
  return node;
}

/**
 * What somebody else has changed meanwhile: what was typed stays until one chooses.
 * @param {string} message
 * @param {string} present the text as it is now
 * @param {() => void} take
 * @param {() => void} keep
 */
export function stale(message, present, take, keep) {
  return el("div", { class: "note-box", role: "alert", testid: "stale" },
    el("p", {}, el("b", {}, "Not saved. "), `${message}. What you typed is kept.`),
    el("details", {}, el("summary", {}, "What stands there now"), el("pre", { class: "code", tabindex: "0" }, present)),
    el("div", { class: "plan-actions" },
      button("Take what is there, drop mine", take, { testid: "take-theirs" }),
      button("Save mine over it", keep, { testid: "keep-mine", "data-changes": true })));
}

/**
 * Delete something as it was seen. Where somebody has changed it since, it is there still, and the box says so.
 * @param {{ node: HTMLButtonElement, fault: HTMLElement, box: HTMLElement }} places
 * @param {() => Promise<unknown>} asked
 * @param {(present: any) => string} words what stands there now
 * @param {() => void} look shows it as it is now
 * @returns {Promise<boolean>} whether it is gone
 */
export async function erased({ node, fault, box }, asked, words, look) {
  box.replaceChildren();
  let late = false;
  const done = await attempt(node, fault, async () => {
    try {
      await asked();
    } catch (thrown) {
      if (!(thrown instanceof Fault) || thrown.code !== "stale" || !thrown.present) throw thrown;
      late = true;
      box.replaceChildren(el("div", { class: "note-box", role: "alert", testid: "stale" },
        el("p", {}, el("b", {}, "Not deleted. "), `${thrown.message}.`),
        el("details", {}, el("summary", {}, "What stands there now"), el("pre", { class: "code", tabindex: "0" }, words(thrown.present))),
        el("div", { class: "plan-actions" }, button("Look at it as it is now", look, { testid: "look-again" }))));
    }
  });
  return done && !late;
}

/** @param {string[]} warnings */
export const warned = (warnings) => (warnings.length
  ? el("ul", { class: "told", testid: "file-warnings" }, ...warnings.map((text) => el("li", {}, text))) : null);
