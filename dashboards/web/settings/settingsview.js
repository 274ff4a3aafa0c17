// The files of the bench, edited here: supplies, plans, cards, checklists, steps; and who changed them.

import { messageOf } from "../shared/api.js";
import { byId, el } from "../shared/dom.js";
import { onlyLooks } from "../jobs/may.js";
import { BenchForm } from "./benchform.js";
import { changesOf } from "./changes.js";
import { listOf, overview } from "./filelist.js";
import { back } from "./parts.js";
import { settings } from "./settingsapi.js";
import { TextEditor } from "./texteditor.js";

/** @import { BenchView } from "../shared/types.js" */

export class SettingsView {
  constructor() {
    this.node = byId("part-settings");
    /** @type {string | null | undefined} undefined: closed */
    this.wanted = undefined;
    /** @type {BenchForm | TextEditor | null} */
    this.editor = null;
    this.on = false;
  }

  close() {
    this.wanted = undefined;
    this.editor = null;
    this.node.replaceChildren();
    this.node.hidden = true;
  }

  /** null: the kinds; `bench`, `changes`, `card`, `checklist`; `card:NAME` one file as text. @param {string | null} id */
  async open(id) {
    this.close();
    this.wanted = id;
    this.node.hidden = false;
    await this.draw();
  }

  async draw() {
    const wanted = this.wanted;
    if (wanted === undefined) return;
    if (onlyLooks()) {
      this.tellViewer();
      return;
    }
    let nodes;
    /** @type {BenchForm | TextEditor | null} */
    let editor = null;
    try {
      const [file, name] = (wanted ?? "").split(":");
      if (wanted === null) nodes = overview(await settings.files());
      else if (wanted === "changes") nodes = [back(), el("h2", {}, "Changes"), await changesOf({})];
      else if (wanted === "bench") editor = await BenchForm.open();
      else if (name !== undefined) editor = await TextEditor.open(file, name);
      else nodes = listOf(file === "checklist" ? "checklist" : "card", await settings.files());
    } catch (fault) {
      nodes = [...(wanted === null ? [] : [back()]), el("p", { class: "fault" }, messageOf(fault))];
    }
    if (this.wanted !== wanted) return;
    // Who somebody is may have come to be known meanwhile.
    if (onlyLooks()) {
      this.tellViewer();
      return;
    }
    this.editor = editor;
    this.node.replaceChildren(...(editor?.nodes ?? nodes ?? []));
    this.tellPower();
  }

  tellViewer() {
    this.node.replaceChildren(el("h2", {}, "Settings"), el("p", { testid: "only-operators" }, "Only operators see the settings. Sign in as one."));
  }

  /** @param {BenchView} view */
  update(view) {
    this.on = view.channels.some((one) => one.output !== "off");
    this.tellPower();
  }

  tellPower() {
    if (this.editor instanceof BenchForm) this.editor.powered(this.on);
  }

  /** Something was changed, here or on another page: what is being edited is left alone. @param {string} kind */
  event(kind) {
    if ((kind === "files" || kind === "plan") && this.wanted !== undefined && !this.editor?.dirty) this.draw();
  }
}
