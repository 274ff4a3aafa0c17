// What to do after a trip, by the rule that decided: common practice at the bench, no source.

const FIND_SHORT = "Find it with a low voltage and a low limit on the rail alone, and look for what gets warm. Not by trying again at full power.";

/** @type {Record<string, string[]>} */
const STEPS = {
  short: [
    "Take the board off the leads and feel for heat with care.",
    "Measure the fed rail against ground with power off. Near zero: it is shorted.",
    FIND_SHORT,
  ],
  "over-current": [
    "The voltage held, and the board took more than the plan allows: look at its trace beside a good board's.",
    "May this board draw so much? Then choose a plan for it. If not, look for what got hot.",
  ],
  "over-voltage": [
    "Take the board off the leads first: it may have had more than it stands.",
    "Look at the supply's own setting, its sense leads, and whether something else feeds the board.",
    "Measure the output without a board before you power again.",
  ],
  reverse: [
    "Take the board off the leads, and check polarity with a meter.",
    "Measure the board's input protection before you power it again.",
  ],
  budget: [
    "It took more energy than the plan gives to a fault or to one power-up: look for what got warm.",
    "Is a long test meant? Then use a plan that is made for long tests.",
  ],
  stale: [
    "Readings from the supply stopped, so nobody was watching: check its cable, adapter and panel.",
    "Re-arm when readings come in again.",
  ],
  instrument: [
    "Read the supply's panel: which of its own protections tripped?",
    "Clear it there, then re-arm here.",
  ],
  panel: [
    "Somebody changed settings at the supply. Ask who, and why.",
    "Re-arm, and switch on with a plan: it sets voltage and limit anew. Lock the panel if the supply can.",
  ],
};
const PROBE = [
  "The rail is a dead short already at the probe's low voltage: nothing more was applied.",
  FIND_SHORT,
];
const ANY = ["Find out why before you re-arm. The output stays off until then."];

/**
 * Sentences, the first to do first.
 * @param {Record<string, any>} trip its figures
 */
export function nextSteps(trip) {
  if (trip.stage === "probe" && trip.rule === "short") return PROBE;
  return STEPS[trip.rule] ?? ANY;
}
