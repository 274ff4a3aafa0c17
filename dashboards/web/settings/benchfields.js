// The fields of benchd.toml's form: each key with its words and unit, and the way from text to values and back.

import { typedNumber } from "../shared/format.js";

/**
 * @typedef {"number" | "text" | "yes" | "list" | "choice" | "secret"} FieldKind
 * @typedef {{ key: string, label: string, unit: string, hint: string, kind: FieldKind, choices?: string }} Field
 *   `choices`: name of a list that is offered: profiles, plans, or words with | between them
 * @typedef {{ table: string, title: string, hint?: string, optional?: boolean, fields: Field[] }} Group
 * @typedef {Record<string, any>} Values
 */

/**
 * @param {string} key
 * @param {string} label
 * @param {string} [unit]
 * @param {string} [hint]
 * @param {FieldKind} [kind]
 * @param {string} [choices]
 * @returns {Field}
 */
const field = (key, label, unit = "", hint = "", kind = "number", choices) => ({ key, label, unit, hint, kind, choices });

/** One supply. @type {Field[]} */
export const SUPPLY = [
  field("name", "Name", "", "a-z, 0-9 and '-'.", "text"),
  field("resource", "Where it is connected", "", "As `benchd supplies` lists it: TCPIP0::192.0.2.5::5025::SOCKET, ASRL/dev/ttyUSB0::INSTR.", "text"),
  field("profile", "Driver profile", "", "", "text", "profiles"),
  field("serial", "Serial number", "", "Another unit in its place is then refused.", "text"),
  field("timeout_ms", "One reply may take", "ms"),
  field("reading_interval_ms", "Between readings", "ms", "Empty: as fast as it answers, shared out among all outputs."),
  field("on_daemon_loss", "When benchd is gone", "", "off: the guard switches off. hold: it keeps guarding, for soak tests.", "choice", "off|hold"),
  field("link_watchdog_s", "The supply's own watchdog", "s", "It switches off after so long without a message, where it can."),
  field("array_readback", "Traces from the supply's own array of readings", "", "Where its family has one.", "yes"),
  field("baud_rate", "Baud rate", "", "Serial ports only; empty: the profile's."),
  field("visa_library", "VISA library", "", "@py, @ivi, @sim, or a path.", "text"),
];

/** One output. @type {Field[]} */
export const CHANNEL = [
  field("number", "Number of the output"),
  field("max_voltage_v", "Never above", "V", "No plan and no caller goes beyond."),
  field("max_limit_a", "Never above", "A"),
  field("plan", "Usual power plan", "", "", "text", "plans"),
  field("lead_mohm", "Both leads, measured", "mΩ", "Or gauge and length below."),
  field("lead_awg", "Gauge of the leads", "AWG"),
  field("lead_m", "Length of one lead", "m"),
  field("sense", "Sense leads", "", "remote: wired, switched in at each power-on. local: switched out. Empty: as set at the supply.", "choice", "local|remote"),
];

/** @type {Group[]} */
export const GROUPS = [
  { table: "", title: "Bench", fields: [
    field("bench", "Name of this bench", "", "a-z, 0-9 and '-'. Servers and brokers know it by this name.", "text"),
    field("data_dir", "Folder of the log", "", "Empty: the user's own data folder.", "text"),
  ] },
  { table: "guard", title: "After a trip, and when nobody is there", fields: [
    field("rearm_pause_s", "Re-arm not sooner than", "s"),
    field("rearm_per_minute", "Re-arms within a minute"),
    field("quiet_hours", "Quiet hours", "", "22:00-06:30, local time: off then, but for plans that say soak.", "text"),
  ] },
  { table: "capture", title: "When a power-up begins and ends", fields: [
    field("pre_roll_s", "Kept before the board is connected", "s"),
    field("removal_s", "Board gone: nothing drawn for", "s"),
    field("settle_s", "Booted: steady for", "s"),
    field("longest_s", "Filed at the latest after", "s"),
  ] },
  { table: "log", title: "Log", fields: [
    field("thin_after_months", "Thin readings older than", "months", "Peaks stay. Empty: nothing is thinned."),
    field("thin_when_full", "Thin the oldest when the disk is full", "", "", "yes"),
    field("backup_dir", "Folder for a copy each day", "", "On another disk. Empty: no copies.", "text"),
    field("backups_kept", "Copies kept"),
  ] },
  { table: "jobs", title: "Jobs", fields: [
    field("id_pattern", "Ids that benchd makes", "", "{number} is one above the highest there is: R-{number}.", "text"),
  ] },
  { table: "web", title: "This page", hint: "Offered to the network it needs a token and should have a certificate: see `benchd token new`.", fields: [
    field("host", "Listens at", "", "127.0.0.1: this machine alone. 0.0.0.0: everywhere.", "text"),
    field("port", "Port"),
    field("names", "Called by", "", "Names of the bench in the network, with commas.", "list"),
    field("session_days", "Signed in for", "days"),
    field("tls_cert_file", "File of the certificate", "", "", "text"),
    field("tls_key_file", "File of its key", "", "", "text"),
  ] },
  { table: "influxdb", title: "Time-series server", optional: true, hint: "Readings, trips and findings go to InfluxDB, or a server with its write API.", fields: [
    field("url", "Address", "", "http://host:8086, bare.", "text"),
    field("bucket", "Bucket", "", "The database, with v1.", "text"),
    field("org", "Organisation", "", "", "text"),
    field("token", "Token", "", "", "secret"),
    field("token_file", "File of the token", "", "", "text"),
    field("write_path", "Write path", "", "v1: before InfluxDB 1.8.", "choice", "v2|v1"),
    field("batch_lines", "Lines in one request"),
    field("batch_age_s", "Readings wait for", "s"),
    field("gzip", "Squeezed", "", "", "choice", "true|false"),
  ] },
  { table: "mqtt", title: "MQTT broker", optional: true, hint: "Live numbers, states, trips and findings.", fields: [
    field("host", "Host", "", "", "text"),
    field("port", "Port"),
    field("protocol", "MQTT version", "", "", "choice", "5|3.1.1"),
    field("user", "User", "", "", "text"),
    field("password", "Password", "", "", "secret"),
    field("password_file", "File of the password", "", "", "text"),
    field("tls", "Encrypted (TLS)", "", "", "yes"),
    field("tls_ca_file", "File of the authority's certificate", "", "Empty: those that the system trusts.", "text"),
    field("tls_cert_file", "File of our certificate", "", "", "text"),
    field("tls_key_file", "File of its key", "", "", "text"),
    field("commands", "Takes on, next, re-arm and job too", "", "Off is always taken.", "yes"),
    field("discovery", "Describe the outputs to home-automation hubs", "", "", "yes"),
    field("discovery_prefix", "Their topic", "", "", "text"),
  ] },
];

/**
 * Each field that the form shows of these values, with its place: `guard.rearm_pause_s`, `supply[0].channel[1].plan`.
 * @param {Values} values
 * @returns {{ at: string, path: (string | number)[], field: Field, table: string }[]}
 */
export function places(values) {
  /** @type {{ path: (string | number)[], field: Field, table: string }[]} */
  const out = GROUPS.filter(({ table, optional }) => !optional || values[table])
    .flatMap(({ table, fields }) => fields.map((one) => ({ path: [table, one.key].filter(Boolean), field: one, table })));
  (values.supply ?? []).forEach((/** @type {Values} */ supply, /** @type {number} */ n) => {
    for (const one of SUPPLY) out.push({ path: ["supply", n, one.key], field: one, table: "supply" });
    (supply.channel ?? []).forEach((/** @type {Values} */ _, /** @type {number} */ k) => {
      for (const one of CHANNEL) out.push({ path: ["supply", n, "channel", k, one.key], field: one, table: "channel" });
    });
  });
  return out.map((one) => ({ ...one, at: nameOf(one.path) }));
}

/** @param {(string | number)[]} path */
export const nameOf = (path) => path.map((part, n) => (typeof part === "number" ? `[${part}]` : n ? `.${part}` : part)).join("");

/** @param {Values} values @param {(string | number)[]} path @returns {any} */
export const at = (values, path) => path.reduce((inside, part) => inside?.[part], /** @type {any} */ (values));

/**
 * What a field shows of a value; undefined: the file says nothing of it.
 * @param {Field} field
 * @param {any} value
 * @returns {string | boolean}
 */
export function shownOf({ kind }, value) {
  if (kind === "yes") return value === true;
  if (value === undefined || value === null) return "";
  return Array.isArray(value) ? value.join(", ") : String(value);
}

/**
 * The value that a field's content means; undefined: the key is left out. Throws RangeError with the words of a fault.
 * @param {Field} field
 * @param {string | boolean} shown
 * @param {any} before what the file says
 * @returns {any}
 */
export function meant(field, shown, before) {
  if (typeof shown === "boolean") return shown || before !== undefined ? shown : undefined;
  const text = shown.trim();
  if (text === "") return undefined;
  if (field.kind === "list") return text.split(",").map((part) => part.trim()).filter(Boolean);
  if (field.choices === "true|false") return text === "true";
  if (field.kind !== "number") return text;
  const number = typedNumber(text);
  if (number === null || Number.isNaN(number)) throw new RangeError(`${text}: not a number. Write for example 4.2`);
  return number;
}

/**
 * The values of the whole file from what the fields show. Keys without a field stay as they were.
 * @param {Values} before
 * @param {Map<string, string | boolean>} shown by place
 * @returns {{ values: Values, faults: Record<string, string> }}
 */
export function valuesOf(before, shown) {
  /** @type {Values} */
  const values = structuredClone(before);
  /** @type {Record<string, string>} */
  const faults = {};
  for (const { at: name, path, field: one } of places(before)) {
    const typed = shown.get(name);
    if (typed === undefined) continue;
    try {
      put(values, path, meant(one, typed, at(before, path)));
    } catch (fault) {
      faults[name] = /** @type {Error} */ (fault).message;
    }
  }
  return { values, faults };
}

/** @param {Values} values @param {(string | number)[]} path @param {any} value */
function put(values, path, value) {
  const key = path[path.length - 1];
  const table = path.length === 2 && typeof path[0] === "string" ? (values[path[0]] ?? (value === undefined ? {} : (values[path[0]] = {}))) : at(values, path.slice(0, -1));
  if (value === undefined) delete table[key];
  else table[key] = value;
}

/**
 * Faults of the bench by the places of fields; those that have none come back as lines of text.
 * @param {{ key: string, text: string, line: number | null }[]} faults
 * @param {Iterable<string>} names
 * @returns {{ placed: Record<string, string>, rest: string[] }}
 */
export function placedFaults(faults, names) {
  const known = new Set(names);
  /** @type {Record<string, string>} */
  const placed = {};
  const rest = [];
  for (const { key, text } of faults) {
    if (known.has(key)) placed[key] = placed[key] ? `${placed[key]} ${text}` : text;
    else rest.push(text);
  }
  return { placed, rest };
}

/**
 * A supply that is not there yet.
 * @param {Values} values
 * @param {string[]} plans
 * @returns {Values}
 */
export function newSupply(values, plans) {
  const taken = new Set((values.supply ?? []).map((/** @type {Values} */ one) => one.name));
  let n = 1;
  while (taken.has(`supply-${n}`)) n++;
  return { name: `supply-${n}`, resource: "", profile: "", channel: [newChannel([], plans)] };
}

/**
 * An output that is not there yet.
 * @param {Values[]} channels
 * @param {string[]} plans
 * @returns {Values}
 */
export function newChannel(channels, plans) {
  const highest = Math.max(0, ...channels.map((one) => one.number ?? 1));
  return { number: highest + 1, plan: channels[0]?.plan ?? (plans.includes("phone-cell") ? "phone-cell" : plans[0] ?? "") };
}
