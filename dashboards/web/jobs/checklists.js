// Checklists of a job: big ticks, what is not needed, and a note where one wants to say more.

import { Fault, messageOf } from "../shared/api.js";
import { button, el, setText } from "../shared/dom.js";
import { clock } from "../shared/format.js";
import { attempt, closeSheet, showSheet } from "../shared/sheet.js";
import { dictation } from "./dictation.js";
import { jobApi } from "./jobapi.js";
import { moment } from "./jobwords.js";
import { onlyLooks } from "./may.js";
import { focusKey, refill } from "./refill.js";

/** @import { ListState, ItemState } from "../shared/types.js" */

export class Checklists {
  constructor() {
    this.job = "";
    /** Which lists stand open, as the person left them. @type {Map<string, boolean>} */
    this.unfolded = new Map();
    this.fault = el("p", { class: "fault", role: "alert" });
    this.list = el("div", { class: "checklists" });
    this.node = el("section", { class: "job-part", "aria-label": "Checklists", testid: "checklists" }, el("h3", {}, "Checks"), this.fault, this.list);
  }

  /** @param {string} job */
  async show(job) {
    if (job !== this.job) {
      refill(this.list);
      this.unfolded.clear();
      setText(this.fault, "");
    }
    this.job = job;
    try {
      const { checklists, faults } = await jobApi.checklists(job);
      if (job !== this.job) return;
      refill(this.list, ...faults.map((text) => el("p", { class: "fault" }, text)), ...checklists.map((one) => this.one(one)));
    } catch (fault) {
      if (job === this.job) refill(this.list, el("p", { class: "fault" }, messageOf(fault)));
    }
  }

  /** @param {ListState} list */
  one(list) {
    const done = list.items.length - list.open;
    const node = el("details", { class: "checklist", "data-moment": list.moment, testid: `checklist-${list.id}` },
      el("summary", { "data-key": `list-${list.id}` },
        el("span", { class: "list-name" }, el("b", {}, list.label), list.label === moment(list.moment) ? null : el("span", { class: "soft" }, moment(list.moment))),
        el("span", { class: "count", "data-open": String(list.open > 0) }, list.open === 0 ? "✓ all done" : `${done} of ${list.items.length}`)),
      el("ul", { class: "rows" }, ...list.items.map((item) => this.item(list, item))));
    node.open = this.unfolded.get(list.id) ?? false;
    node.addEventListener("toggle", () => this.unfolded.set(list.id, node.open));
    return node;
  }

  /** @param {ListState} list @param {ItemState} item */
  item(list, item) {
    const key = `${list.id}/${item.id}`;
    const done = item.state === "done";
    const unneeded = item.state === "not-needed";
    const tick = button("", () => this.tick(list, item, done ? "open" : "done"), {
      class: "big-tick", role: "checkbox", "aria-checked": String(done), disabled: onlyLooks(), "data-key": `${key}/tick`, testid: `tick-${item.id}` });
    tick.append(el("span", { class: "tick-box", "aria-hidden": "true" }, done ? "✓" : unneeded ? "–" : ""),
      el("span", { class: "tick-words" }, el("b", {}, item.label), item.why ? el("span", { class: "soft" }, item.why) : null, said(item)));
    const skip = button("Not needed", () => this.tick(list, item, unneeded ? "open" : "not-needed"), {
      class: "quiet", "aria-pressed": String(unneeded), "aria-label": `Not needed: ${item.label}`, "data-changes": true, "data-key": `${key}/skip`, testid: `skip-${item.id}` });
    const note = button("Note …", () => this.ask(list, item), { class: "quiet", "aria-label": `Note to: ${item.label}`, "data-changes": true, "data-key": `${key}/note`, testid: `note-${item.id}` });
    return el("li", { class: "check-item", "data-state": item.state }, tick, skip, note);
  }

  /** @param {ListState} list @param {ItemState} item @param {string} state @param {string} [note] */
  async tick(list, item, state, note = item.note) {
    setText(this.fault, "");
    const job = this.job;
    try {
      await jobApi.tick(job, list.id, item.id, { state, note, seen: item.version });
    } catch (fault) {
      const stale = fault instanceof Fault && fault.code === "stale";
      setText(this.fault, stale ? `“${item.label}” was changed by somebody else just before${fault.present?.by ? ` (${fault.present.by})` : ""}. It is shown as it is now; nothing of yours was written.` : messageOf(fault));
    }
    await this.show(job);
  }

  /** @param {ListState} list @param {ItemState} item */
  ask(list, item) {
    const fault = el("p", { class: "fault", role: "alert" });
    const text = el("textarea", { rows: 3, maxlength: 1000, "aria-label": item.label, "data-first": true, testid: "check-note" });
    text.value = item.note;
    const go = el("button", { type: "submit", class: "go", testid: "check-note-go" }, "Keep the note");
    const form = el("form", { class: "sheet-body" }, text, dictation(text, fault), go, fault);
    form.addEventListener("submit", async (event) => {
      event.preventDefault();
      const kept = await attempt(go, fault, () => jobApi.tick(this.job, list.id, item.id, { state: item.state, note: text.value.trim(), seen: item.version }));
      if (!kept) return;
      closeSheet();
      await this.show(this.job);
      focusKey(this.list, `${list.id}/${item.id}/note`);
    });
    showSheet(item.label, form, "check-note-sheet");
  }
}

/** Who ticked it and when, and what was noted. @param {ItemState} item */
function said(item) {
  const words = { done: "Done", "not-needed": "Not needed", open: "Opened again" }[item.state];
  const when = item.t_ns ? `${words}${item.by ? ` by ${item.by}` : ""}, ${clock(item.t_ns)}` : "";
  const all = [when, item.note, item.retired ? "Stands in no list any more" : ""].filter(Boolean).join(" · ");
  return all ? el("span", { class: "tick-said" }, all) : null;
}
