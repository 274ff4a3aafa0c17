// What is to be heard, as chosen in this browser.

/** @import { Sound } from "./tones.js" */
/**
 * Volumes 0 to 1. `current`: off, change, or so many seconds.
 * @typedef {{ on: boolean, shake: boolean, volume: Record<Sound, number>, speak: boolean, current: string, findings: boolean,
 *   voice: string }} HearingChoice
 */

const STORE = "benchd-hearing";
/** @type {HearingChoice} */
const USUAL = {
  on: true, shake: true, volume: { button: 0.4, boot: 0.4, settled: 0.4, trip: 0.8, probe: 0.5 },
  speak: false, current: "change", findings: true, voice: "",
};
/** The choices for spoken current, and their words. @type {[string, string][]} */
export const CURRENTS = [["off", "not at all"], ["change", "when it changes"], ["5", "every 5 s"], ["15", "every 15 s"], ["60", "every minute"]];

/**
 * Out of what was kept: anything that does not fit is as usual.
 * @param {unknown} kept
 * @returns {HearingChoice}
 */
export function choiceOf(kept) {
  const given = /** @type {Record<string, any>} */ (typeof kept === "object" && kept !== null ? kept : {});
  /** @param {"on" | "shake" | "speak" | "findings"} key */
  const yes = (key) => (typeof given[key] === "boolean" ? given[key] : USUAL[key]);
  /** @param {Sound} sound */
  const loud = (sound) => {
    const volume = given.volume?.[sound];
    return typeof volume === "number" && 0 <= volume && volume <= 1 ? volume : USUAL.volume[sound];
  };
  return {
    on: yes("on"), shake: yes("shake"), speak: yes("speak"), findings: yes("findings"),
    volume: { button: loud("button"), boot: loud("boot"), settled: loud("settled"), trip: loud("trip"), probe: loud("probe") },
    current: CURRENTS.some(([id]) => id === given.current) ? given.current : USUAL.current,
    voice: typeof given.voice === "string" ? given.voice : "",
  };
}

export function readChoice() {
  try {
    return choiceOf(JSON.parse(localStorage.getItem(STORE) ?? "null"));
  } catch {
    return choiceOf(null);
  }
}

/** @param {HearingChoice} choice @returns {boolean} whether it was kept */
export function keepChoice(choice) {
  try {
    localStorage.setItem(STORE, JSON.stringify(choice));
    return true;
  } catch {
    return false;
  }
}
