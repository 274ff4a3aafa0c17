// Words of jobs, as in benchd/jobs/choices.py (a test compares). An id without words here is shown as it is.

/** States of a repair, in the order in which most repairs go through them. */
export const STATES = {
  "taken-in": "Taken in",
  looking: "Looking for the fault",
  "waiting-owner": "Waiting for the owner",
  "waiting-parts": "Waiting for parts",
  repairing: "Being repaired",
  testing: "Being tested",
  ready: "Ready",
  "handed-over": "Handed over",
  "given-up": "Given up",
};
/** Of the device's own battery, as found at intake. */
export const BATTERIES = {
  "": "Not looked at yet",
  in: "In the device",
  out: "Taken out",
  swollen: "Swollen: keep it apart",
  none: "Has none",
  unknown: "Not known",
};
/** What the owner has to know and agree to before work begins. */
export const RISKS = {
  "data-loss": "What is stored in the device may be lost.",
  "may-get-worse": "The device may not start any more afterwards.",
  seal: "It may not be tight against water and dust afterwards.",
  screen: "Screen or glass may break when it is opened.",
  parts: "Parts of the maker may be replaced by others.",
  "storage-chip": "The storage chip may have to be taken off the board.",
  "hot-work": "Parts of the board have to be heated.",
};
/** Checks by the moment at which they are due. */
export const MOMENTS = {
  "before-power": "Before power",
  "before-chip": "Before a storage chip is removed",
  "after-repair": "After the repair",
};
/** Fields of a job that people type. */
export const FIELDS = {
  device: "Device",
  board: "Kind of board",
  symptom: "Symptom",
  history: "History",
  wanted_back: "What the owner needs back",
  battery: "Battery",
  accessories: "Came with it",
  consent: "The owner agrees",
};

/** @param {Record<string, string>} table */
const lookUp = (table) => (/** @type {string | null | undefined} */ id) => (id ? table[id] ?? id : table[""] ?? "");
export const state = lookUp(STATES);
export const battery = lookUp(BATTERIES);
export const risk = lookUp(RISKS);
export const moment = lookUp(MOMENTS);
export const field = lookUp(FIELDS);

/** Jobs on which nobody works any more. */
export const DONE = new Set(["handed-over", "given-up"]);
