// What procedures and their results say, and the way from fields to values. Pure: no elements here.

import { duration, typedNumber, withUncertainty, withUnit } from "../shared/format.js";

/** @import { Happened, LeadSet, MostSet, ParameterView, Result, Run } from "../shared/types.js" */
/** @typedef {number | string | boolean | null} Value */

/** How a run stands or ended: a sign and words, so that no colour has to tell. @type {Record<string, [string, string]>} */
const OUTCOMES = {
  running: ["▶", "running"], passed: ["✓", "passed"], failed: ["✗", "failed"], done: ["●", "measured"],
  unclear: ["?", "cannot be told"], stopped: ["■", "stopped by hand"], "timed-out": ["■", "ended: nobody answered, or it did not come"],
  tripped: ["⚠", "ended by a trip"], refused: ["✗", "could not begin or go on"], interrupted: ["‖", "interrupted"],
};
/** @type {Record<string, [string, string]>} */
const VERDICTS = { good: ["✓", "good"], bad: ["✗", "bad"], unclear: ["?", "unclear"] };
/** @param {[string, string] | undefined} pair @param {string} id */
const signed = (pair, id) => (pair ? pair.join(" ") : id);
/** @param {string} id */
export const outcome = (id) => signed(OUTCOMES[id], id);
/** @param {string} id */
export const verdict = (id) => signed(VERDICTS[id], id);

/** Ends of names that are units. @type {[string, string][]} */
const UNITS = [["_ohm", "Ω"], ["_a2s", "A²s"], ["_ah", "Ah"], ["_a", "A"], ["_v", "V"], ["_w", "W"], ["_j", "J"], ["_c", "C"], ["_s", "s"], ["_h", "h"]];

/** The unit that a name ends in, and the name without it. @param {string} name @returns {[string, string]} */
export function unitOf(name) {
  const [end, unit] = UNITS.find(([one]) => name.endsWith(one)) ?? ["", ""];
  return [name.slice(0, name.length - end.length), unit];
}

/** With a capital, spaces for lines. @param {string} name */
const spoken = (name) => name.replaceAll("_", " ").replace(/^./, (first) => first.toUpperCase());

/** Less than this is told in ms and µs. */
const SHORT_S = 0.1;
/** A figure without unit, digits to fit. @param {number} value */
const plain = (value) => String(Number.isInteger(value) ? value : Number(value.toPrecision(3)));

/** @param {Value} value @param {string} unit */
export function valueText(value, unit = "") {
  if (value === null) return "–";
  if (typeof value === "boolean") return value ? "yes" : "no";
  if (typeof value === "string") return value;
  if (unit === "s") return value !== 0 && Math.abs(value) < SHORT_S ? withUnit(value, unit) : duration(value);
  if (unprefixed(unit)) return `${plain(value)}${unit ? `\u00a0${unit}` : ""}`;
  return withUnit(value, unit);
}

/** Units that take no milli and kilo. @param {string} unit */
const unprefixed = (unit) => unit === "" || unit === "%" || unit === "°C" || unit.startsWith("1/");

/** A result with its interval. @param {Pick<Result, "value" | "unit" | "u" | "low" | "high">} result */
export function resultText({ value, unit, u, low, high }) {
  if (typeof value !== "number") return valueText(value);
  if (low !== null && high !== null) return `${valueText(value, unit)} (${valueText(low, unit)} to ${valueText(high, unit)})`;
  if (u === null || u <= 0) return valueText(value, unit);
  if (unprefixed(unit)) {
    const digits = Math.min(Math.max(1 - Math.floor(Math.log10(u)), 0), 6);
    return `${value.toFixed(digits)} ± ${u.toFixed(digits)}${unit ? `\u00a0${unit}` : ""}`;
  }
  return withUncertainty(value, u, unit);
}

/** Names that say too little by themselves. @type {Record<string, [string, string]>} title and unit */
const TITLES = { seconds: ["Watched", "s"], wakes: ["Wake-ups", ""], mean_a: ["Mean current", "A"],
  battery_a: ["Battery side", "A"], battery_v: ["Battery side", "V"], usb_a: ["USB side", "A"], usb_v: ["USB side", "V"], set_v: ["Set", "V"],
};
/** What stands in the large figure, if there. */
const FIRST = ["resistance_ohm", "mean_a", "current_a"];
/** Said with another figure, or seen in the table. */
const WITHIN = new Set(["u_ohm", "u_mean_a", "u_a", "noise_ohm", "points"]);

/**
 * What a live measurement tells, the most wanted first. No figures when there is nothing new to tell of.
 * @param {Record<string, Value>} values
 * @returns {{ name: string, title: string, text: string }[]}
 */
export function toldRows(values) {
  const number = (/** @type {string} */ name) => (typeof values[name] === "number" ? /** @type {number} */ (values[name]) : null);
  const names = Object.keys(values).filter((name) => !WITHIN.has(name));
  names.sort((a, b) => rank(a) - rank(b));
  return names.map((name) => {
    const [base, unit] = TITLES[name] ?? unitOf(name);
    const u = name === "resistance_ohm" ? number("u_ohm") : number(`u_${name}`) ?? (name === "mean_a" ? number("u_a") : null);
    const text = typeof values[name] === "number" && u !== null ? withUncertainty(number(name), u, unit) : valueText(values[name], unit);
    return { name, title: spoken(base), text };
  });
}
/** @param {string} name */
const rank = (name) => (FIRST.includes(name) ? FIRST.indexOf(name) : FIRST.length);

/** From lowest to highest tone, Hz: three octaves that a small loudspeaker has, too. Our choice. */
export const LOW_HZ = 220;
export const HIGH_HZ = 1760;

/** Pitch of the tone, as ears hear it: even steps are even intervals. Null: silence. @param {number | null | undefined} ear 0 to 1 */
export function pitch(ear) {
  if (typeof ear !== "number" || !Number.isFinite(ear)) return null;
  return LOW_HZ * (HIGH_HZ / LOW_HZ) ** Math.min(Math.max(ear, 0), 1);
}

/** Whether a live measurement looks for a short: then its points are places, and remarks else. @param {Record<string, Value>} values that it tells, or of a point */
export const probes = (values) => "points" in values || "resistance_ohm" in values;

/** @typedef {{ text: string, ohm: number | null, u_ohm: number | null, photo: string, t_ns: number }} Point */
/** Points by resistance, the lowest first; those without one last. @param {Happened[]} happened @returns {Point[]} */
export function pointsOf(happened) {
  const number = (/** @type {Value | undefined} */ value) => (typeof value === "number" ? value : null);
  return happened.filter(({ kind }) => kind === "point")
    .map(({ text, values, photo, t_ns }) => ({ text, ohm: number(values.resistance_ohm), u_ohm: number(values.u_ohm), photo, t_ns }))
    .sort((a, b) => (a.ohm ?? Infinity) - (b.ohm ?? Infinity) || a.t_ns - b.t_ns);
}

const PLACES_KEPT = 16;
/** Names of places, the newest first, each once. @param {string[]} before @param {string} now */
export const withPlace = (before, now) => [now, ...before.filter((one) => one !== now)].slice(0, PLACES_KEPT);

/** As it would be typed, in the field's own unit. @param {number} value @param {string} unit */
const inUnit = (value, unit) => `${plain(value)}${unit ? `\u00a0${unit}` : ""}`;

/** The range of a parameter in words; empty: any. @param {Pick<ParameterView, "unit" | "low" | "high">} parameter */
function rangeOf({ unit, low, high }) {
  if (low !== null && high !== null) return `${inUnit(low, unit)} to ${inUnit(high, unit)}`;
  return low !== null ? `${inUnit(low, unit)} or more` : high !== null ? `${inUnit(high, unit)} or less` : "";
}

/** Range and default of a parameter, and what else its card says. @param {ParameterView} parameter */
export function hintOf(parameter) {
  const { unit, default: usual, default_text: text, needed, kind } = parameter;
  const known = usual !== null && kind !== "bool";
  const said = [kind === "number" ? rangeOf(parameter) : "", needed ? "Needed" : "", known ? `Empty: ${typeof usual === "number" ? inUnit(usual, unit) : usual}` : "",
    usual === null && !needed && text ? `Empty: ${text}` : text];
  return said.filter(Boolean).map((one) => `${one.replace(/\.$/, "")}.`).join(" ");
}

/**
 * Names of the sets of leads of an output that were measured or typed, but for the one in use, as it is wired.
 * @param {string} supply @param {number} channel @param {LeadSet | null} used @param {LeadSet[]} kept newest first
 */
export function otherSets(supply, channel, used, kept) {
  if (used === null) return [];
  const names = kept.filter((each) => each.supply === supply && each.channel === channel && each.sense === used.sense).map((each) => each.name);
  return [...new Set(names)].filter((name) => name !== used.name);
}

/**
 * The parameters that were filled in; what is empty follows its default.
 * @param {ParameterView[]} parameters
 * @param {Record<string, string | boolean>} shown
 * @returns {[Record<string, Value>, Record<string, string>]} values, and faults by name
 */
export function parametersOf(parameters, shown) {
  /** @type {Record<string, Value>} */
  const values = {};
  /** @type {Record<string, string>} */
  const faults = {};
  for (const { name, kind, needed, low, high, unit } of parameters) {
    const given = shown[name];
    if (typeof given === "boolean") values[name] = given;
    else if ((given ?? "").trim() === "") {
      if (needed) faults[name] = "This has to be given.";
    } else if (kind !== "number") values[name] = given.trim();
    else {
      const value = typedNumber(given);
      if (value === null || Number.isNaN(value)) faults[name] = `${given}: not a number. Write for example 4.2`;
      else if (!((low ?? -Infinity) <= value && value <= (high ?? Infinity))) faults[name] = `${inUnit(value, unit)}: not within ${rangeOf({ unit, low, high })}.`;
      else values[name] = value;
    }
  }
  return [values, faults];
}

/** A fault of a card's step without the place in its file, which is for who writes cards. @param {string} sentence */
const forPeople = (sentence) => sentence.replace(/^(?:step\[\d+\]\.?)+\w*: /, "");

/** Each fault at the parameter that it names first; others under "". @param {string[]} sentences @param {ParameterView[]} parameters */
export function placed(sentences, parameters) {
  /** @type {Record<string, string>} */
  const faults = {};
  for (const sentence of sentences) {
    const found = parameters.map(({ name }) => ({ name, at: whole(sentence, name) })).filter(({ at }) => at >= 0).sort((a, b) => a.at - b.at)[0];
    const key = found?.name ?? "";
    faults[key] = faults[key] ? `${faults[key]} ${forPeople(sentence)}` : forPeople(sentence);
  }
  return faults;
}
/** Where a sentence has a name as a word. @param {string} sentence @param {string} name */
const whole = (sentence, name) => sentence.search(new RegExp(`(?<![\\w.])${name}(?!\\w)`));

/** What would be set at most. @param {MostSet} most */
export function mostText({ role, supply, channel, plan, voltage_v: volts, limit_a: amps, power_w: watts, energy_j: joules }) {
  const set = [volts === null ? "" : withUnit(volts, "V"), amps === null ? "" : withUnit(amps, "A"), watts === null ? "" : withUnit(watts, "W"),
    joules === null ? "" : withUnit(joules, "J")].filter(Boolean).join(" · ");
  return `${role === "main" ? "" : `${role}: `}${supply} · ${channel}: ${set || "nothing"}${plan ? ` (plan ${plan})` : ""}`;
}

/** Whether an event says that a run has begun or ended: in between there are many. @param {string} kind @param {{ what?: string } | null | undefined} payload */
export const beganOrEnded = (kind, payload) => kind === "procedure" && ["began", "ended"].includes(payload?.what ?? "");

const NOT_OFF = "NOT CONFIRMED OFF";
/** Whether a run ended with an output that was not known to be off. @param {Pick<Run, "text">} run */
export const notOff = ({ text }) => text.startsWith(NOT_OFF);

/** A run's output, or outputs in their roles. @param {Pick<Run, "sides">} run */
export const sidesText = ({ sides }) => sides.map(({ role, supply, channel }) => `${role === "main" ? "" : `${role}: `}${supply} · ${channel}`).join(", ");

/** How long, for people: 1 h 05 min from an hour on. @param {number | null} seconds */
export function lasting(seconds) {
  if (seconds === null || !Number.isFinite(seconds)) return "–";
  if (seconds < 60) return `${Math.floor(seconds)} s`;
  if (seconds < 3600) return `${Math.floor(seconds / 60)} min ${String(Math.floor(seconds % 60)).padStart(2, "0")} s`;
  return `${Math.floor(seconds / 3600)} h ${String(Math.floor((seconds % 3600) / 60)).padStart(2, "0")} min`;
}

const GAPS_TOLD = 8;
/** Where nothing was read, from the beginning of the course. @param {[number, number][]} gaps s */
export function gapsText(gaps) {
  const told = gaps.slice(0, GAPS_TOLD).map(([from, to]) => `${lasting(from)} to ${lasting(to)}`).join(", ");
  const more = gaps.length - GAPS_TOLD;
  return `⚠ Gaps in the record: ${told}${more > 0 ? `, and ${more} more` : ""} after its beginning.`;
}
