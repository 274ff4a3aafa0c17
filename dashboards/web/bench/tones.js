// The sounds, as tones in a row: which, when, for how long. No two of them can be taken for each other.

/** A tone: its beginning after the sound's, and its length, s; pitch, Hz.
 * @typedef {{ at: number, for: number, hz: number, shape: OscillatorType }} Tone */
/** @typedef {"button" | "boot" | "settled" | "trip" | "probe"} Sound */

/** @param {number[]} pitches @param {number} length @param {OscillatorType} shape @returns {Tone[]} */
const row = (pitches, length, shape) => pitches.map((hz, n) => ({ at: n * length * 1.1, for: length, hz, shape }));

/** @type {Record<Sound, Tone[]>} */
export const TONES = {
  button: row([880], 0.09, "sine"),
  boot: row([523, 784], 0.12, "triangle"),
  settled: row([784, 659, 523], 0.16, "triangle"),
  trip: row([930, 620, 930, 620], 0.2, "square"),
  // Rising as it does when the probe comes nearer; while a short is looked for, one tone follows it (measure/ear.js).
  probe: row([440, 554, 698, 880], 0.12, "triangle"),
};

/** How a device shakes with it: on and off in turn, ms. @type {Record<Sound, number[]>} */
export const SHAKES = { button: [60], boot: [60, 80, 60], settled: [40, 60, 40, 60, 40], trip: [400, 150, 400, 150, 400], probe: [40] };

/** What each is for. @type {Record<Sound, string>} */
export const NAMES = { button: "Button seen", boot: "Board at work", settled: "Settled", trip: "Tripped", probe: "Tone of the probe" };
