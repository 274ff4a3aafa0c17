// A button for what is not undone easily: the first press asks, the second does it.

import { button, setText } from "../shared/dom.js";

const ASKED_MS = 6000;

/**
 * @param {string} text
 * @param {string} question what the button says once it was pressed
 * @param {(node: HTMLButtonElement) => void} act
 * @param {import("../shared/dom.js").Props} [props]
 */
export function sureButton(text, question, act, props = {}) {
  /** @type {ReturnType<typeof setTimeout> | undefined} */
  let asked;
  const node = button(text, () => {
    if (asked === undefined) {
      setText(node, question);
      asked = setTimeout(forget, ASKED_MS);
      return;
    }
    forget();
    act(node);
  }, props);
  function forget() {
    clearTimeout(asked);
    asked = undefined;
    setText(node, text);
  }
  return node;
}
