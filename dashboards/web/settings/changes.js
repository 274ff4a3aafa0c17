// The audit list: who changed which file, when, and which lines went and came.

import { messageOf } from "../shared/api.js";
import { el } from "../shared/dom.js";
import { clock } from "../shared/format.js";
import { fileWords, WHAT } from "./filewords.js";
import { settings } from "./settingsapi.js";

/** @import { FileChange } from "../shared/types.js" */

const MOST_KEYS = 4;

/** The changes of one file, or of all. @param {{ file?: string, name?: string, limit?: number }} of */
export async function changesOf(of) {
  try {
    const found = await settings.changes(of);
    if (!found.length) return el("p", { class: "soft" }, "No change is written down yet.");
    return el("ol", { class: "rows", testid: "changes" }, ...found.map(row));
  } catch (thrown) {
    return el("p", { class: "fault" }, messageOf(thrown));
  }
}

/** @param {FileChange} change */
function row(change) {
  const keys = change.changed.slice(0, MOST_KEYS).join(", ") + (change.changed.length > MOST_KEYS ? ` and ${change.changed.length - MOST_KEYS} more` : "");
  return el("li", { class: "change", testid: "change" },
    el("p", {}, el("b", {}, fileWords(change.file, change.name)), ` ${WHAT[change.what] ?? change.what}`),
    el("p", { class: "soft" }, `${clock(change.t_ns)}, ${change.by || "by whom is not known"}${keys ? `: ${keys}` : ""}`),
    change.diff ? el("details", {}, el("summary", {}, "What changed"), diff(change.diff)) : null);
}

/** Lines that went and came: told by their sign, and by colour. @param {string} text */
function diff(text) {
  return el("pre", { class: "code diff", tabindex: "0" }, ...text.split("\n").map((line) => {
    const kind = line.startsWith("@@") ? "place" : line.startsWith("-") ? "went" : line.startsWith("+") ? "came" : null;
    return el("span", { class: kind }, `${kind === "place" ? "···" : line}\n`);
  }));
}
