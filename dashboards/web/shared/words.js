// The words of the page. Ids come from the bench; an id without words here is shown as it is.

const SIGNATURES = {
  "no-draw": "No draw: nothing moves",
  "dead-short": "Dead short: limit pinned at once",
  "early-leak": "Early leak: current before the button",
  "brief-kick": "Brief kick: rises, then nothing",
  "low-stall": "Low stall: flat at tens of mA",
  "mid-stall": "Mid stall: hundreds of mA, then flat",
  "boot-loop": "Boot loop: the same start again and again",
  "late-short": "Late short: fine at first, then pinned",
  "over-draw": "Over-draw: boots, but takes too much",
  "limit-sag": "Limit sag: the bench holds it back",
  "loose-contact": "Loose contact: dropouts",
  "clean-boot": "Clean boot: busy, then settles",
  unclear: "Unclear: no shape fits",
  "usb-nothing": "USB: nothing drawn, or suspended",
  "usb-unconfigured": "USB: not configured",
  "usb-enumerated": "USB: configured",
  "usb-charging": "USB: charging",
};
const CAPTURE = {
  off: "not recording",
  waiting: "waiting for a board",
  connected: "board connected",
  booting: "booting",
  settled: "settled",
  filed: "trace filed",
};
const REASONS = {
  settled: "settled",
  removed: "board removed",
  off: "switched off",
  tripped: "tripped",
  time: "longest time reached",
  "nothing-drawn": "nothing drawn",
};
/** Why an output went on or off. */
const WHY = {
  asked: "As asked.",
  trip: "A trip rule decided.",
  instrument: "The supply switched it by itself, or somebody at its panel.",
  "found-on": "It was found on though nobody had asked.",
  refused: "It could not be switched on as asked.",
  "link-lost": "The link to the supply was lost.",
  "link-back": "The link came up, and the output was read.",
  "daemon-lost": "The guard heard nothing from the daemon in time.",
  shutdown: "benchd was ended.",
  "on-time": "It has been on for as long as its plan allows.",
  "re-armed": "Re-armed by a person.",
  blocked: "The supply did not answer in time.",
  "guard-gone": "The guard was gone.",
  unexpected: "For safety: something unforeseen happened.",
};
const RULES = {
  short: "Short",
  "over-current": "Over-current",
  "over-voltage": "Over-voltage",
  reverse: "Reverse polarity",
  budget: "Energy budget spent",
  stale: "Readings stopped",
  instrument: "The supply tripped by itself",
  panel: "Settings were raised at the supply",
};
const MARKS = {
  connected: "connected",
  button: "button",
  "boot-end": "boot end",
  removed: "removed",
  tripped: "tripped",
  off: "off",
};
/**
 * What a person needs to know while a stage lasts.
 * @type {Record<string, [string, string]>}
 */
const STAGES = {
  probe: ["Probe", "Measuring the rail at a low voltage. Hands off the board."],
  hold: ["Hold", "Hands off the button: the leak is being read."],
  boot: ["Boot", ""],
};
/** Where a plan stands. */
const ORIGINS = { shipped: "comes with benchd", settings: "in benchd.toml", own: "your own" };
/**
 * By which face a person asked.
 * @type {Record<string, string>}
 */
const CALLERS = { page: "on the page", "foot-switch": "by foot switch", "command-line": "on the command line", mqtt: "over MQTT" };
const MODES = { cv: "constant voltage", cc: "in current limit", off: "", unknown: "mode unknown" };

/**
 * How well a supply's profile is verified: one word, and what it means.
 * @type {Record<string, [string, string]>}
 */
const TRUST = {
  unverified: ["unverified", "Its profile was written from thin documents; nobody has shown yet that it drives this supply rightly."],
  documented: ["documented", "Its profile was checked line by line against documents."],
  simulated: ["simulated", "A simulated supply."],
  recorded: ["recorded", "A recording of the hardware agrees with its profile."],
  used: ["used", "People have used its profile for repairs."],
};

/** @type {(table: Record<string, string>) => (id: string | null | undefined) => string} */
const lookUp = (table) => (id) => table[id ?? ""] ?? id ?? "";
export const signature = lookUp(SIGNATURES);
export const capture = lookUp(CAPTURE);
export const reason = lookUp(REASONS);
export const why = lookUp(WHY);
export const rule = lookUp(RULES);
export const mark = lookUp(MARKS);
export const origin = lookUp(ORIGINS);
/**
 * Who asked, and through which face: `page`, or `somebody, page` where people sign in.
 * @param {string | null | undefined} by
 */
export function caller(by) {
  const [, name, face] = /^(?:(.*), )?([a-z-]*)$/s.exec(by ?? "") ?? ["", "", ""];
  const words = CALLERS[face ?? ""] ?? "";
  return name ? `by ${name}${words ? `, ${words}` : ""}` : words;
}
/** @type {(id: string | null | undefined) => [string, string]} */
export const stage = (id) => STAGES[id ?? ""] ?? [id ?? "", ""];
export const mode = lookUp(MODES);
/** @type {(id: string) => [string, string]} */
export const trust = (id) => TRUST[id] ?? [id, ""];

/** Read before power goes on. */
export const CAUTIONS = [
  "Polarity and voltage before the clip.",
  "Lithium cell on board: disconnect it before feeding its terminals. Never charge a cell from the bench.",
  "A limited supply still heats a short: touch with care, look for smoke.",
  "Above 60 V DC, or any mains part: not with this tool; that is licensed work.",
  "Local rules come first.",
];
