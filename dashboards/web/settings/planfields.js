// The fields of the plan editor: each key of a plan's file with its words and unit, and the way from text to values.

import { typedNumber } from "../shared/format.js";

/**
 * @typedef {{ key: string, label: string, unit: string, hint: string, kind: "number" | "text" | "long" | "yes" }} Field
 * @typedef {{ title: string, stage?: string, hint?: string, fields: Field[] }} Group `stage`: a table that may be left out
 * @typedef {Record<string, any>} Values as in the plan's file
 * @typedef {Record<string, any>} Shown text per field, true or false per tick and per stage
 * @typedef {Record<string, string>} Faults by key
 */

/**
 * @param {string} key
 * @param {string} label
 * @param {string} [unit]
 * @param {string} [hint]
 * @param {Field["kind"]} [kind]
 * @returns {Field}
 */
const field = (key, label, unit = "", hint = "", kind = "number") => ({ key, label, unit, hint, kind });

/** @type {Group[]} */
export const GROUPS = [
  { title: "What for", fields: [
    field("title", "Title", "", "", "text"),
    field("source", "Where the figures come from", "", "A standard, a data sheet, or: common practice, no source.", "long"),
  ] },
  { title: "Boot", fields: [
    field("voltage_v", "Voltage", "V"),
    field("limit_a", "Current limit", "A", "The highest of all stages."),
  ] },
  { title: "Probe", stage: "probe", hint: "A low voltage shows the rail's resistance before anything else is applied.", fields: [
    field("probe.voltage_v", "Voltage", "V"),
    field("probe.limit_a", "Current limit", "A"),
    field("probe.ms", "Time", "ms"),
    field("probe.least_ohm", "Dead short below", "Ω", "A rail of less: nothing more is applied."),
  ] },
  { title: "Hold", stage: "hold", hint: "The full voltage at a small limit, no button yet: the leak.", fields: [
    field("hold.limit_a", "Current limit", "A"),
    field("hold.seconds", "Time", "s"),
    field("hold.by_hand", "Waits until the limit is raised by hand", "", "", "yes"),
  ] },
  { title: "Protections", fields: [
    field("over_voltage_v", "Over-voltage above", "V"),
    field("over_current_a", "Over-current above", "A", "Not above the limit."),
    field("short_voltage_fraction", "Collapsed below this share of the voltage", "", "0.5 is half."),
    field("short_hold_ms", "Short: collapsed for", "ms"),
    field("limit_hold_ms", "In limit, voltage pulled down, for", "ms", "0: never trips for it."),
    field("harmless_bulk_uf", "Harmless bulk capacitance", "µF", "Charging as much is no short."),
    field("stale_ms", "No reading for", "ms"),
    field("cut_within_ms", "A short is to be cut within", "ms", "The page warns where a supply is too slow."),
    field("instrument_over_current", "The supply's own over-current protection too", "", "Where its family lets a delay be set.", "yes"),
  ] },
  { title: "Budgets", fields: [
    field("budget.fault_j", "Energy into a fault", "J"),
    field("budget.energy_j", "Energy since power-on", "J"),
    field("budget.square_a2s", "I²t since power-on", "A²s"),
    field("longest_on_s", "Longest time on", "s"),
    field("soak", "Made for long tests: quiet hours do not end it", "", "", "yes"),
    field("usb_side", "Fed at the 5 V USB side: read by its classes of current too", "", "", "yes"),
  ] },
  { title: "A good board", fields: [
    field("expected_leak_a", "Leak before the button, up to", "A"),
    field("expected_idle_a.0", "Settles above", "A"),
    field("expected_idle_a.1", "Settles below", "A"),
  ] },
];
const FIELDS = GROUPS.flatMap((group) => group.fields);

/** @param {Values} values @param {string} path @returns {any} */
const at = (values, path) => path.split(".").reduce((inside, key) => inside?.[key], /** @type {any} */ (values));

/** What the form shows of a plan. @param {Values} values */
export function shownOf(values) {
  /** @type {Shown} */
  const shown = {};
  for (const { key, kind } of FIELDS) {
    const value = at(values, key);
    shown[key] = kind === "yes" ? value === true : value === undefined || value === null ? "" : String(value);
  }
  for (const { stage } of GROUPS) if (stage) shown[stage] = Boolean(values[stage]);
  return shown;
}

/**
 * The plan's keys from what the form shows. `before`: the plan that was opened; keys without a field stay as they were.
 * @param {Shown} shown
 * @param {Values} before
 * @returns {[Values, Faults]}
 */
export function valuesOf(shown, before = {}) {
  /** @type {Values} */
  const values = structuredClone(before);
  delete values.name;
  delete values.format;
  /** @type {Faults} */
  const faults = {};
  for (const { key, kind } of FIELDS) {
    const [table, part] = key.split(".");
    const value = kind === "number" ? typedNumber(shown[key]) : kind === "yes" ? shown[key] : shown[key].trim() || null;
    if (Number.isNaN(value)) faults[key] = `${shown[key]}: not a number. Write for example 4.2`;
    if (part === undefined) put(values, key, value, kind);
    else if (table !== "expected_idle_a") put((values[table] ??= {}), part, value, kind);
  }
  for (const { stage } of GROUPS) if (stage && !shown[stage]) delete values[stage];
  for (const { key } of FIELDS) if (faults[key] && shown[key.split(".")[0]] === false) delete faults[key];
  if (values.budget && !Object.keys(values.budget).length) delete values.budget;
  idle(values, shown, faults);
  return [values, faults];
}

/** @param {Values} table @param {string} key @param {any} value @param {Field["kind"]} kind */
function put(table, key, value, kind) {
  // What the file does not say stays unsaid: it then follows benchd's own default.
  if (value === null || (kind === "yes" && value === false && table[key] === undefined)) delete table[key];
  else table[key] = value;
}

/** @param {Values} values @param {Shown} shown @param {Faults} faults */
function idle(values, shown, faults) {
  const ends = ["expected_idle_a.0", "expected_idle_a.1"];
  const pair = ends.map((key) => typedNumber(shown[key]));
  const missing = pair.findIndex((value) => value === null);
  if (pair.every((value) => value === null)) delete values.expected_idle_a;
  else if (missing >= 0) faults[ends[missing]] = "Both ends are needed, or none.";
  else values.expected_idle_a = pair;
}

/** A refusal, a line a fault, by key; what belongs to no field comes back under "". @param {string} message */
export function placed(message) {
  const keys = [...FIELDS.map(({ key }) => key), ...GROUPS.flatMap(({ stage }) => stage ?? []), "expected_idle_a"];
  /** @type {Faults} */
  const faults = {};
  for (const line of message.split("\n")) {
    // A sentence may name other keys further on, as what it is compared with.
    const [first] = keys.map((key) => ({ key, index: place(line, key) })).filter(({ index }) => index >= 0).sort((a, b) => a.index - b.index);
    const key = first === undefined ? "" : first.key === "expected_idle_a" ? "expected_idle_a.0" : first.key;
    const words = first === undefined ? line : line.slice(first.index);
    faults[key] = faults[key] ? `${faults[key]} ${words}` : words;
  }
  return faults;
}

/** Where a sentence speaks of a key: `key = 7: …` or `key: …`, at its beginning or after the file's name. @param {string} line @param {string} key */
function place(line, key) {
  const found = new RegExp(`(?:^|[\\s:])(${key.replaceAll(".", "\\.")})(?:\\[\\d+\\])?(?: = |: )`).exec(line);
  return found ? found.index + found[0].indexOf(key) : -1;
}
