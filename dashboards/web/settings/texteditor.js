// The editor of a whole file as text: checked while it is typed, by the bench; saved whole or not at all.

import { Fault, messageOf } from "../shared/api.js";
import { button, el, setText } from "../shared/dom.js";
import { changesOf } from "./changes.js";
import { drafts } from "./drafts.js";
import { fileWords, NEW_TEXT, ORIGINS } from "./filewords.js";
import { back, erased, stale, twice, warned } from "./parts.js";
import { settings } from "./settingsapi.js";

/** @import { FileFault, FileView } from "../shared/types.js" */

const CHECK_MS = 700;

/** A file that is not there yet. @param {any} file @param {string} name @returns {FileView} */
const fresh = (file, name) => ({
  file, name, origin: "", text: NEW_TEXT[file] ?? "", version: "", at_once: true, pending: false, by_hand: false, faults: [], warnings: [],
});

export class TextEditor {
  /** @param {string} file @param {string} name */
  static async open(file, name) {
    const there = file === "supplies" || (await settings.files()).some((row) => row.file === file && row.name === name);
    return new TextEditor(there ? await settings.file(file, name) : fresh(file, name));
  }

  /** @param {FileView} view */
  constructor(view) {
    this.view = view;
    this.key = `${view.file}:${view.name}`;
    const draft = drafts.read(this.key);
    this.seen = draft?.seen ?? view.version;
    this.text = el("textarea", {
      id: "file-text", class: "code", rows: 24, spellcheck: "false", autocapitalize: "none", autocomplete: "off", wrap: "off",
      testid: "file-text", "aria-describedby": "file-faults", on: { input: () => this.typed() },
    });
    this.text.value = draft?.text ?? view.text;
    this.faults = el("div", { id: "file-faults", class: "told", role: "status", testid: "file-faults" });
    this.told = el("p", { class: "fault", role: "alert", testid: "file-fault" });
    this.stale = el("div", {});
    this.unsaved = el("p", { class: "unsaved", role: "status", testid: "unsaved" });
    this.save = button("Save", () => this.store(this.seen), { class: "go", testid: "file-save", "data-changes": true });
    this.discard = button("Throw changes away", () => this.reset(), { testid: "file-discard", hidden: true });
    this.nodes = this.build();
    this.show(view.faults);
    if (draft) this.typed();
    if (draft && this.seen !== view.version) this.tellStale(`${fileWords(view.file, view.name)} was changed meanwhile`, view);
  }

  get dirty() {
    return drafts.read(this.key) !== null;
  }

  build() {
    const { view } = this;
    const words = fileWords(view.file, view.name);
    const list = view.file === "supplies" ? ["◀ Form", "#settings/bench"] : view.file === "plan" ? ["◀ Plan", `#plans${view.version ? `/${view.name}` : ""}`] : view.file === "steps" ? ["◀ Settings", "#settings"] : ["◀ All of them", `#settings/${view.file}`];
    const own = view.origin === "own";
    return [
      back(...list), el("h2", {}, words),
      el("p", { class: "soft" }, ORIGINS[view.origin] ?? "", view.at_once ? " What is saved holds at once." : " What is saved holds from the next start of benchd."),
      view.by_hand ? el("p", { class: "note-box", testid: "by-hand" }, "It was changed outside of this page since somebody changed it here.") : null,
      view.file === "supplies" ? el("p", { class: "soft" }, "Tokens and passwords are shown as (hidden …): leave that as it is to keep one, or type a new one in its place.") : null,
      el("label", { for: "file-text" }, "Text of the file"), this.text, this.faults, warned(view.warnings), this.told, this.stale,
      el("div", { class: "plan-actions" }, this.unsaved, this.save, this.discard, own && view.file !== "supplies" ? this.deleteButton() : null),
      view.file === "supplies" || view.file === "steps" ? null : this.copying(),
      this.history(),
    ].filter((node) => node !== null);
  }

  typed() {
    drafts.keep(this.key, { text: this.text.value, seen: this.seen }, this.view.file === "supplies");
    this.discard.hidden = false;
    setText(this.unsaved, "Not saved yet.");
    clearTimeout(this.checking);
    this.checking = setTimeout(() => this.check(), CHECK_MS);
  }

  async check() {
    const asked = this.text.value;
    try {
      const { faults } = await settings.check(this.view.file, this.view.name, asked);
      if (asked === this.text.value && this.text.isConnected) this.show(faults);
    } catch {
      // Saving says why.
    }
  }

  /** @param {FileFault[]} faults */
  show(faults) {
    this.text.setAttribute("aria-invalid", String(faults.length > 0));
    this.faults.replaceChildren(...faults.map(({ text, line }) => el("p", { class: "fault-row" },
      line === null ? null : button(`Line ${line}`, () => this.go(line), { class: "line" }), el("span", { class: "fault" }, text))));
  }

  /** Put the caret onto a line. @param {number} line */
  go(line) {
    const lines = this.text.value.split("\n");
    const from = lines.slice(0, line - 1).reduce((sum, one) => sum + one.length + 1, 0);
    this.text.focus();
    this.text.setSelectionRange(from, from + (lines[line - 1] ?? "").length);
    this.text.scrollTop = Math.max(0, (line - 4) * parseFloat(getComputedStyle(this.text).lineHeight));
  }

  /** @param {string} seen */
  async store(seen) {
    this.stale.replaceChildren();
    this.save.disabled = true;
    setText(this.told, "");
    try {
      const { file, name } = this.view;
      const { faults } = await settings.check(file, name, this.text.value);
      this.show(faults);
      if (faults.length) {
        setText(this.told, "Not saved: see what is wrong above.");
        return;
      }
      await settings.save(file, name, this.text.value, seen);
      this.reset();
    } catch (thrown) {
      if (thrown instanceof Fault && thrown.code === "stale") this.tellStale(thrown.message, thrown.present);
      else setText(this.told, messageOf(thrown));
    } finally {
      this.save.disabled = false;
    }
  }

  /** @param {string} message @param {FileView} present */
  tellStale(message, present) {
    this.stale.replaceChildren(stale(message, present.text, () => this.reset(), () => this.store(present.version)));
  }

  /** As the file is now. */
  reset() {
    clearTimeout(this.checking);
    drafts.drop(this.key);
    dispatchEvent(new Event("hashchange"));
  }

  deleteButton() {
    const { file, name, version } = this.view;
    return twice("Delete this file …", "Tap again to delete", async (node) => {
      const gone = await erased({ node, fault: this.told, box: this.stale }, () => settings.remove(file, name, version), (now) => now.text, () => dispatchEvent(new Event("hashchange")));
      if (!gone) return;
      drafts.drop(this.key);
      if (file === "steps") dispatchEvent(new Event("hashchange"));
      else location.hash = file === "plan" ? "#plans" : `#settings/${file}`;
    }, { testid: "file-delete" });
  }

  /** A copy under another name is a draft of that file. */
  copying() {
    const { file, name } = this.view;
    const input = el("input", { id: "copy-name", autocomplete: "off", autocapitalize: "none", maxlength: 32, testid: "copy-name" });
    const make = button("Copy", () => {
      const other = input.value.trim();
      if (!/^[a-z0-9](?:[a-z0-9-]{0,30}[a-z0-9])?$/.test(other)) {
        setText(this.told, "A name is 1 to 32 of a-z, 0-9 and '-', beginning and ending with a letter or digit.");
        return;
      }
      const text = this.text.value.replace(/^(id|name)(\s*=\s*)"[^"\n]*"/m, `$1$2"${other}"`);
      drafts.keep(`${file}:${other}`, { text, seen: "" });
      location.hash = `#settings/${file}:${other}`;
    }, { testid: "copy" });
    return el("details", { "data-changes": true }, el("summary", {}, `Copy ${name} under another name`),
      el("div", { class: "plan-field" }, el("label", { for: "copy-name" }, "Name of the copy"), el("div", { class: "pair-buttons" }, input, make)));
  }

  history() {
    const { file, name } = this.view;
    const place = el("div", {});
    return el("details", { testid: "file-history", on: { toggle: async () => place.childNodes.length || place.replaceChildren(await changesOf({ file, name })) } },
      el("summary", {}, "Who changed it"), place);
  }
}
