// The form of benchd.toml: one group for each table, one for each supply with its outputs.

import { Fault, messageOf } from "../shared/api.js";
import { button, el, setText } from "../shared/dom.js";
import { at, CHANNEL, GROUPS, nameOf, newChannel, newSupply, placedFaults, shownOf, SUPPLY, valuesOf } from "./benchfields.js";
import { drafts } from "./drafts.js";
import { back, stale, twice, warned } from "./parts.js";
import { settings } from "./settingsapi.js";

/** @import { BenchForm as Form, FileFault, FileView } from "../shared/types.js" */
/** @import { Field, Group, Values } from "./benchfields.js" */

const KEY = "supplies form";

export class BenchForm {
  static async open() {
    return new BenchForm(await settings.form());
  }

  /** @param {Form} form */
  constructor(form) {
    this.form = form;
    const draft = drafts.read(KEY);
    /** @type {Values} */
    this.values = draft?.values ?? structuredClone(form.values ?? {});
    this.seen = draft?.seen ?? form.version;
    this.inputs = /** @type {Map<string, HTMLInputElement | HTMLSelectElement>} */ (new Map());
    this.places = /** @type {Map<string, HTMLElement>} */ (new Map());
    this.groups = el("div", { class: "groups" });
    this.told = el("p", { class: "fault", role: "alert", testid: "form-fault" });
    this.unsaved = el("p", { class: "unsaved", role: "status", testid: "unsaved" });
    this.power = el("p", { class: "soft", testid: "restart" });
    this.stale = el("div", {});
    this.save = button("Save", () => this.store(this.seen), { class: "go", testid: "form-save", "data-changes": true });
    this.discard = button("Throw changes away", () => this.reset(), { testid: "form-discard", hidden: !draft });
    this.nodes = this.build();
    this.on = false;
    if (form.values) this.draw();
    this.tell(form.faults);
    if (draft) this.keep();
    if (draft && this.seen !== form.version) this.late();
  }

  get dirty() {
    return drafts.read(KEY) !== null;
  }

  /** Whether an output is on: benchd is not to be started anew then. @param {boolean} on */
  powered(on) {
    this.on = on;
    if (!this.form.pending) return;
    setText(this.power, on ? "An output is on: leave benchd running until the board is off."
      : "To bring it into force, end benchd and start it again: nothing is on now.");
  }

  build() {
    const { form } = this;
    return [
      back(), el("h2", {}, "Settings of the bench"),
      form.pending ? el("div", { class: "note-box", testid: "pending" },
        el("p", {}, "benchd.toml says something else than what benchd runs with. It holds from the next start. "), this.power) : null,
      form.by_hand ? el("p", { class: "note-box", testid: "by-hand" }, "benchd.toml was changed outside of this page since somebody changed it here.") : null,
      el("p", { class: "soft" }, "A field left empty follows benchd's own default, shown in grey. Comments and order of the file stay. What is saved holds from the next start of benchd."),
      el("p", {}, el("a", { class: "like-button", href: "#settings/supplies:benchd", testid: "as-text" }, "Edit benchd.toml as text")),
      warned(form.warnings),
      form.values ? this.groups : el("p", { class: "fault" }, "The file cannot be read as it is now: mend it as text."),
      this.told, this.stale,
      form.values ? el("div", { class: "plan-actions sticky" }, this.unsaved, this.save, this.discard) : null,
    ].filter((node) => node !== null);
  }

  draw() {
    this.inputs.clear();
    this.places.clear();
    const open = new Set([...this.groups.querySelectorAll("details[open]")].map((node) => node.id));
    const supplies = (this.values.supply ?? []).map((/** @type {Values} */ one, /** @type {number} */ n) => this.supply(one, n));
    const [first, ...others] = GROUPS.map((group) => this.group(group));
    this.groups.replaceChildren(first, ...supplies,
      button("Add a supply", () => this.change((values) => (values.supply ??= []).push(newSupply(values, this.form.plans))), { testid: "add-supply", "data-changes": true }),
      ...others, this.list("profiles", this.form.profiles), this.list("plans", this.form.plans));
    for (const node of this.groups.querySelectorAll("details")) if (open.has(node.id)) node.open = true;
  }

  /** @param {string} name @param {string[]} of */
  list(name, of) {
    return el("datalist", { id: `set-${name}` }, ...of.map((value) => el("option", { value })));
  }

  /** @param {Group} group */
  group({ table, title, hint, optional, fields }) {
    const there = !optional || Boolean(this.values[table]);
    const tick = optional ? el("input", { type: "checkbox", id: `set-${table}`, checked: there, testid: `set-${table}`, on: { change: () => this.change((values) => toggle(values, table)) } }) : null;
    const body = el("div", { class: "plan-fields" }, hint ? el("p", { class: "soft wide" }, hint) : null,
      tick ? el("label", { class: "tick wide", for: tick.id }, tick, "In use") : null,
      ...(there ? fields.map((one) => this.field([table, one.key].filter(Boolean), one, table)) : []));
    return this.folded(`group-${table || "bench"}`, title, this.sum(table, there), body);
  }

  /** What a closed group says. @param {string} table @param {boolean} there */
  sum(table, there) {
    if (!there) return "not in use";
    if (table === "web") return (this.values.web?.token ?? []).map((/** @type {Values} */ one) => `${one.name}: ${one.role}`).join(", ");
    return table === "" ? String(this.values.bench ?? "") : "";
  }

  /** @param {Values} supply @param {number} n */
  supply(supply, n) {
    const channels = (supply.channel ?? []).map((/** @type {Values} */ one, /** @type {number} */ k) => el("fieldset", {},
      el("legend", {}, `Output ${one.number ?? 1}`),
      el("div", { class: "plan-fields" }, ...CHANNEL.map((field) => this.field(["supply", n, "channel", k, field.key], field, "channel"))),
      supply.channel.length > 1 ? twice(`Take output ${one.number ?? 1} out …`, "Tap again to take it out", () => this.change((values) => values.supply[n].channel.splice(k, 1)), { class: "quiet" }) : null));
    const body = el("div", { class: "groups" }, el("p", { class: "fault", testid: `fault-supply[${n}]` }),
      el("div", { class: "plan-fields" }, ...SUPPLY.map((field) => this.field(["supply", n, field.key], field, "supply"))), ...channels,
      el("div", { class: "plan-actions" },
        button("Add an output", () => this.change((values) => {
          const channels = (values.supply[n].channel ??= []);
          channels.push(newChannel(channels, this.form.plans));
        }), { testid: `add-channel-${n}`, "data-changes": true }),
        this.values.supply.length > 1 ? twice(`Take ${supply.name} out …`, "Tap again to take it out", () => this.change((values) => values.supply.splice(n, 1)), { testid: `remove-supply-${n}` }) : null));
    const place = /** @type {HTMLElement} */ (body.firstElementChild);
    this.places.set(`supply[${n}]`, place);
    return this.folded(`group-supply-${n}`, `Supply ${supply.name ?? ""}`, supply.resource ?? "", body);
  }

  /** @param {string} id @param {string} title @param {string} sum @param {HTMLElement} body */
  folded(id, title, sum, body) {
    return el("details", { id, class: "table", testid: id }, el("summary", {}, el("b", {}, title), el("span", { class: "soft" }, sum)), body);
  }

  /** @param {(string | number)[]} path @param {Field} field @param {string} table */
  field(path, field, table) {
    const name = nameOf(path);
    const id = `set-${name}`;
    const { label, unit, hint, kind, choices } = field;
    const shown = shownOf(field, at(this.values, path));
    const usual = this.form.defaults[table]?.[field.key];
    const common = { id, testid: id, "aria-describedby": `${id}-fault${hint ? ` ${id}-hint` : ""}`, on: { input: () => this.keep() } };
    const fault = el("p", { class: "fault", id: `${id}-fault`, testid: `fault-${name}` });
    this.places.set(name, fault);
    const more = [fault, hint ? el("p", { id: `${id}-hint`, class: "soft hint" }, hint) : null];
    if (kind === "yes") {
      const tick = el("input", { type: "checkbox", ...common, checked: shown === true });
      this.inputs.set(name, tick);
      return el("div", { class: "plan-field wide" }, el("label", { class: "tick", for: id }, tick, label), ...more);
    }
    const input = kind === "choice" ? el("select", common, ...this.options(String(choices), usual))
      : el("input", { autocomplete: "off", autocapitalize: "none", spellcheck: "false", inputmode: kind === "number" ? "decimal" : null,
        placeholder: usual === null || usual === undefined || usual === "" ? null : String(usual), list: choices ? `set-${choices}` : null, ...common });
    input.value = String(shown);
    this.inputs.set(name, input);
    if (kind === "secret" && shown) more.push(el("p", { class: "soft hint" }, "What stands there is hidden. Type a new one over it, or empty the field."));
    return el("div", { class: `plan-field${kind === "number" || kind === "choice" ? "" : " wide"}` }, el("label", { for: id }, label),
      el("div", { class: "with-unit" }, input, unit ? el("span", { class: "unit" }, unit) : null), ...more);
  }

  /** @param {string} choices @param {any} usual */
  options(choices, usual) {
    return ["", ...choices.split("|")].map((value) => el("option", { value }, value || (usual === null || usual === undefined ? "by itself" : `${usual} (as usual)`)));
  }

  get shown() {
    return new Map([...this.inputs].map(([name, input]) => [name, input instanceof HTMLInputElement && input.type === "checkbox" ? input.checked : input.value]));
  }

  /** A table comes or goes: what is typed stays. @param {(values: Values) => unknown} how */
  change(how) {
    this.values = valuesOf(this.values, this.shown).values;
    how(this.values);
    const before = this.groups.querySelectorAll("details").length;
    this.draw();
    const all = this.groups.querySelectorAll("details");
    if (all.length > before) for (const node of all) if (node.id === `group-supply-${this.values.supply.length - 1}`) node.open = true;
    this.keep();
  }

  keep() {
    const { values } = valuesOf(this.values, this.shown);
    drafts.keep(KEY, { values, seen: this.seen }, true);
    this.discard.hidden = false;
    setText(this.unsaved, "Not saved yet.");
  }

  /** Faults at their fields; the groups that have some are opened. @param {FileFault[]} faults */
  tell(faults) {
    const { placed, rest } = placedFaults(faults, this.places.keys());
    let first = null;
    for (const [name, place] of this.places) {
      setText(place, placed[name] ?? "");
      const input = this.inputs.get(name);
      input?.setAttribute("aria-invalid", String(Boolean(placed[name])));
      if (!placed[name]) continue;
      /** @type {HTMLDetailsElement | null} */ (place.closest("details"))?.setAttribute("open", "");
      first ??= input ?? null;
    }
    first?.focus();
    setText(this.told, rest.join(" ") || (faults.length ? "See the marked fields." : ""));
  }

  /** @param {string} seen */
  async store(seen) {
    this.stale.replaceChildren();
    const { values, faults } = valuesOf(this.values, this.shown);
    const typed = Object.entries(faults).map(([key, text]) => ({ key, text, line: null }));
    this.tell(typed);
    if (typed.length) return;
    this.save.disabled = true;
    try {
      const checked = await settings.checkForm(values);
      this.tell(checked.faults);
      if (checked.faults.length) return;
      await settings.saveForm(values, seen);
      this.reset();
    } catch (thrown) {
      if (thrown instanceof Fault && thrown.code === "stale") this.tellStale(thrown.message, thrown.present);
      else setText(this.told, messageOf(thrown));
    } finally {
      this.save.disabled = false;
    }
  }

  /** The draft was begun before the file was changed by somebody else. */
  async late() {
    try {
      this.tellStale("benchd.toml was changed meanwhile", await settings.file("supplies", "benchd"));
    } catch {
      // Saving says it.
    }
  }

  /** @param {string} message @param {FileView} present */
  tellStale(message, present) {
    this.stale.replaceChildren(stale(message, present.text, () => this.reset(), () => this.store(present.version)));
  }

  /** As the file is now. */
  reset() {
    drafts.drop(KEY);
    dispatchEvent(new Event("hashchange"));
  }
}

/** @param {Values} values @param {string} table */
function toggle(values, table) {
  if (values[table]) delete values[table];
  else values[table] = {};
}
