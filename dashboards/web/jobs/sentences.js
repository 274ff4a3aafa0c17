// What an entry of the journal says, in one sentence. Pure: no elements here.

import { begin, percent, withUncertainty, withUnit } from "../shared/format.js";
import { caller, origin, rule, signature, why } from "../shared/words.js";
import { field, state } from "./jobwords.js";

/** @import { JournalEntry } from "../shared/types.js" */
/** @typedef {Record<string, any>} Payload */
/** @typedef {Pick<JournalEntry, "kind" | "payload"> & Partial<JournalEntry>} Said */

const KEYS_SHOWN = 5;
const TICKS = { done: "Ticked", "not-needed": "Not needed", open: "Opened again" };
const FILES = { plan: "Plan", card: "Signature card", checklist: "Checklist", steps: "List of steps", supplies: "Settings", procedure: "Procedure" };

/**
 * Kind of entry → its sentence; `where` is the output in brackets, or empty.
 * @type {Record<string, (payload: Payload, where: string) => string>}
 */
const SENTENCES = {
  note: (payload) => `${payload.text}${by(payload)}`,
  trace: ({ finding }) => (finding ? `Trace: ${signature(finding.signature)}, ${percent(finding.confidence)}` : "Trace filed"),
  finding: ({ finding }) => (finding ? `Read again: ${signature(finding.signature)}, ${percent(finding.confidence)}` : "Read again"),
  reference: ({ text }) => `Reference: ${text ?? ""}`,
  mark: ({ text }) => `Mark by hand: ${text ?? ""}`,
  procedure,
  lead: ({ ohm, u_ohm: u, name }, where) => `Leads${name ? ` (${name})` : ""}${where}: ${withUncertainty(ohm, u, "Ω")}`,
  trip: (payload) => `Trip: ${rule(payload.rule)}. ${begin(payload.text)}`,
  output,
  link: ({ up, text }, where) => (up ? `Supply reached${where}` : `Supply not reached${where}: ${text ?? ""}`),
  consent: ({ profile, maker, model, who }, where) => `Consent to unverified profile ${profile} for ${maker} ${model}${where}, by ${who || "somebody"}`,
  probe: ({ text }, where) => `Probe${where}: ${text ?? ""}`,
  leak: ({ text }, where) => `Hold${where}: ${text ?? ""}`,
  advance: (payload, where) => `Limit raised for the boot${where}${by(payload)}`,
  "re-arm": (payload, where) => `Re-armed${where}${payload.rule ? ` after: ${rule(payload.rule)}` : ""}${by(payload)}`,
  plan,
  promise: ({ text }, where) => `Protection${where}: ${text ?? ""}`,
  "quiet-hours": ({ hours }, where) => `Quiet hours (${hours}) ended it${where}`,
  settings,
  forgotten: (payload) => `Forgotten: ${payload.text ?? ""}${by(payload)}`,
  "job-created": (payload) => `Taken in${by(payload)}`,
  "job-chosen": (payload) => `Put on the bench${by(payload)}`,
  "job-changed": (payload) => `Changed: ${(payload.changed ?? []).map(field).join(", ")}${by(payload)}`,
  "job-state": (payload) => `${state(payload.before)} → ${state(payload.after)}${by(payload)}`,
  photo: (payload) => `Photo${payload.caption ? `: ${payload.caption}` : ""}${by(payload)}`,
  "photo-removed": (payload) => `Photo removed${payload.caption ? `: ${payload.caption}` : ""}${by(payload)}`,
  step,
  "step-taken-back": (payload) => `Taken back: a step that was entered by mistake${by(payload)}`,
  check: (payload) => `${TICKS[/** @type {keyof TICKS} */ (payload.state)] ?? payload.state}: ${payload.label || payload.item}${payload.note ? ` (${payload.note})` : ""}${by(payload)}`,
  files: (payload) => `${FILES[/** @type {keyof FILES} */ (payload.file)] ?? payload.file} ${payload.name ?? ""} changed${by(payload)}`,
  access: ({ what, name, role }) => `Access: ${[what, name, role].filter(Boolean).join(", ")}`,
};

/** @param {Said} entry */
export function sentence({ kind, payload, supply, channel }) {
  const where = supply ? ` (${[supply, channel].filter((one) => one !== null && one !== undefined).join(" · ")})` : "";
  const said = Object.hasOwn(SENTENCES, kind) ? SENTENCES[kind](payload, where) : null;
  return said ?? `${kind}: ${payload.text || JSON.stringify(payload)}${where}`;
}

/**
 * By whom, or by which face of the bench.
 * @param {Payload} payload
 */
function by(payload) {
  const name = payload.by ?? "";
  if (!name || name === "other") return "";
  return `, ${caller(name) || `by ${name}`}`;
}

/** @param {Payload} payload */
function step(payload) {
  const { label, detail, text, minutes } = payload;
  const more = [text, minutes ? `took ${minutes} min` : ""].filter(Boolean).map(begin).join(". ");
  return `${label || payload.step}${detail ? `: ${detail}` : ""}${more ? `. ${more}` : ""}${by(payload)}`;
}

/** @param {Payload} payload @param {string} where */
function output({ output: now, reason, text, set_voltage_v: volts, limit_a: limit }, where) {
  const set = now === "on" && volts ? `: ${withUnit(volts, "V")}, limit ${withUnit(limit, "A")}` : "";
  return `Output ${now ?? ""}${where}${set}. ${(reason !== "trip" && begin(text)) || why(reason)}`;
}

/** How a run ended, in a word. @type {Record<string, string>} */
const OUTCOMES = {
  passed: "passed", failed: "failed", done: "measured", unclear: "cannot be told", stopped: "stopped by hand", "timed-out": "timed out",
  tripped: "ended by a trip", refused: "refused", interrupted: "interrupted",
};

/** @param {Payload} payload @param {string} where */
function procedure(payload, where) {
  const { title, card, outcome, text, compared } = payload;
  const said = [text, compared].filter(Boolean).map(begin).join(" ");
  return `${title || card}${where}: ${OUTCOMES[outcome] ?? outcome}${said ? `. ${said}` : ""}${by(payload)}`;
}

/** Old and new value of each key that changed, as in the plan's file. @param {Payload} payload */
function plan({ name, origin: now, changed = [], before, after }) {
  if (!before) return `Plan ${name} made`;
  if (!after) return `Plan ${name} deleted`;
  const said = (/** @type {unknown} */ value) => (value === undefined || value === null ? "none" : JSON.stringify(value));
  const more = changed.length - KEYS_SHOWN;
  const list = changed.slice(0, KEYS_SHOWN).map((/** @type {string} */ key) => `${key} ${said(before[key])} → ${said(after[key])}`);
  return `Plan ${name} (${origin(now)}): ${list.join(", ") || "nothing changed"}${more > 0 ? ` and ${more} more` : ""}`;
}

/** @param {Payload} payload */
function settings({ first, changed = [] }) {
  if (first) return "Settings kept for the first time";
  const more = changed.length - KEYS_SHOWN;
  return `Settings changed: ${changed.slice(0, KEYS_SHOWN).join(", ")}${more > 0 ? ` and ${more} more` : ""}`;
}
