// A sheet that slides over the page but never over the cut-off bar, and never makes that bar unreachable.

import { messageOf } from "./api.js";
import { button, byId, el } from "./dom.js";

/** @type {{ box: HTMLElement, shade: HTMLElement, before: Element | null } | null} */
let open = null;
/** What a sheet lies over. Not what tells of trips, and not the bar with the cut-off: both stay in reach. */
const BEHIND = "main, .head > .job, .head > .tabs";

/** @param {boolean} is whether keys and voices pass it by */
function behind(is) {
  for (const node of document.querySelectorAll(BEHIND)) node.toggleAttribute("inert", is);
}

/**
 * Show a sheet with a title and content. Another sheet that is open goes away. The focus goes to what has `data-first`.
 * @param {string} title
 * @param {HTMLElement} content
 * @param {string} [testid]
 */
export function showSheet(title, content, testid) {
  closeSheet();
  const heading = el("h2", { tabindex: "-1" }, title);
  const close = button("Close", closeSheet, { class: "quiet" });
  const box = el("section", { class: "sheet", role: "dialog", "aria-label": title, testid },
    el("div", { class: "sheet-head" }, heading, close), content);
  const shade = el("div", { class: "shade", on: { click: closeSheet } });
  open = { box, shade, before: document.activeElement };
  byId("sheets").append(shade, box);
  behind(true);
  (/** @type {HTMLElement | null} */ (content.querySelector("[data-first]")) ?? heading).focus();
}

/** Close the sheet, if one is open; the focus goes back to where it was. */
export function closeSheet() {
  if (open === null) return;
  const { box, shade, before } = open;
  open = null;
  box.remove();
  shade.remove();
  behind(false);
  if (before instanceof HTMLElement) before.focus();
}

addEventListener("keydown", (event) => event.key === "Escape" && closeSheet());

/**
 * Run an action of a form or a button: disabled meanwhile, a failure is shown in `place`. True when it worked.
 * @param {HTMLButtonElement | HTMLInputElement | HTMLFieldSetElement} control
 * @param {Node} place
 * @param {() => unknown} action
 */
export async function attempt(control, place, action) {
  control.disabled = true;
  place.textContent = "";
  try {
    await action();
    return true;
  } catch (fault) {
    place.textContent = messageOf(fault);
    return false;
  } finally {
    control.disabled = false;
  }
}
