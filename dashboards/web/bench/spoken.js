// What is said aloud, in the language of the voice: English and German, anything else in English.

import { signature } from "../shared/words.js";

/** @typedef {"en" | "de"} Tongue */

/** @param {string} language as a voice has it: de-DE @returns {Tongue} */
export const tongueOf = (language) => (/^de(?:[-_]|$)/i.test(language) ? "de" : "en");

/** @type {Record<Tongue, { milli: [string, string], one: [string, string], point: string, sure: string, trip: string, off: string, notOff: string, lost: string }>} */
const WORDS = {
  en: { milli: ["milliamp", "milliamps"], one: ["amp", "amps"], point: ".", sure: "percent sure", trip: "Tripped", off: "Output is off.", notOff: "Off is not confirmed! Switch off at the supply.", lost: "The link to the bench is lost." },
  de: { milli: ["Milliampere", "Milliampere"], one: ["Ampere", "Ampere"], point: ",", sure: "Prozent sicher", trip: "Ausgelöst", off: "Ausgang ist aus.", notOff: "Aus ist nicht bestätigt! Am Netzteil ausschalten.", lost: "Die Verbindung zum Messplatz ist weg." },
};

/** @type {Record<string, string>} */
const SIGNATURES_DE = {
  "no-draw": "Kein Strom, nichts bewegt sich", "dead-short": "Kurzschluss von Anfang an", "early-leak": "Leckstrom vor dem Taster",
  "brief-kick": "Kurzer Anlauf, dann nichts", "low-stall": "Bleibt niedrig stehen, einige zehn Milliampere",
  "mid-stall": "Bleibt bei einigen hundert Milliampere stehen", "boot-loop": "Startet immer wieder neu", "late-short": "Kurzschluss nach gutem Anfang",
  "over-draw": "Startet, nimmt aber zu viel", "limit-sag": "Das Netzteil bremst", "loose-contact": "Wackelkontakt",
  "clean-boot": "Startet sauber", unclear: "Unklar, keine Form passt", "usb-nothing": "USB: nichts aufgenommen",
  "usb-unconfigured": "USB: nicht konfiguriert", "usb-enumerated": "USB: konfiguriert", "usb-charging": "USB: lädt",
};
/** @type {Record<string, string>} */
const RULES_DE = {
  short: "Kurzschluss", "over-current": "zu viel Strom", "over-voltage": "zu viel Spannung", reverse: "verpolt",
  budget: "Energie aufgebraucht", stale: "Messwerte bleiben aus", instrument: "das Netzteil hat selbst ausgelöst", panel: "am Netzteil verstellt",
};

/**
 * A current in two or three digits: nobody remembers more.
 * @param {number} amps
 * @param {Tongue} tongue
 */
export function currentWords(amps, tongue) {
  const { milli, one, point } = WORDS[tongue];
  const size = Math.abs(amps);
  const [value, names] = size < 0.9995 ? [amps * 1000, milli] : [amps, one];
  const digits = size < 0.9995 ? (Math.abs(value) < 9.95 ? 1 : 0) : 2;
  const text = String(Number(value.toFixed(digits)) + 0).replace(".", point);
  return `${text} ${text === "1" ? names[0] : names[1]}`;
}

/**
 * @param {Record<string, any>} found as `ChannelView.finding`
 * @param {Tongue} tongue
 */
export function findingWords(found, tongue) {
  const said = tongue === "de" ? SIGNATURES_DE[found.signature] ?? found.signature : signature(found.signature);
  return `${said}. ${Math.round(found.confidence * 100)} ${WORDS[tongue].sure}.`;
}

/**
 * @param {string} rule in English words
 * @param {string} id of the rule
 * @param {boolean} off whether off is confirmed
 * @param {Tongue} tongue
 */
export function tripWords(rule, id, off, tongue) {
  const words = WORDS[tongue];
  return `${words.trip}: ${tongue === "de" ? RULES_DE[id] ?? id : rule}. ${off ? words.off : words.notOff}`;
}

/** @param {Tongue} tongue */
export const lostWords = (tongue) => WORDS[tongue].lost;

/** A current has changed when it differs by this share, and by that much, from what was said last. */
const CHANGED_SHARE = 0.1;
const CHANGED_A = 0.005;
/** Not more often, s. */
const LEAST_APART_S = 2;

/** When the current is to be said: at a change, or every so many seconds. */
export class CurrentTalk {
  constructor() {
    /** @type {{ amps: number, at: number } | null} */
    this.said = null;
  }

  /**
   * @param {number} amps
   * @param {number} at s on any clock
   * @param {number} every s; 0: at a change
   */
  due(amps, at, every) {
    const { said } = this;
    if (said !== null) {
      if (at - said.at < Math.max(every, LEAST_APART_S)) return false;
      const change = Math.abs(amps - said.amps);
      if (every === 0 && change < Math.max(CHANGED_A, CHANGED_SHARE * Math.abs(said.amps))) return false;
    }
    this.said = { amps, at };
    return true;
  }
}
