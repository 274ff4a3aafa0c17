// A trip in words: what it let through, against what its plan thinks harmless, and who disagrees with whom.

import { el } from "./dom.js";
import { withUncertainty, withUnit } from "./format.js";
import { stage } from "./words.js";

/** @typedef {Record<string, any>} Figures of a trip, as the bench tells them */

/** @param {unknown} value */
const known = (value) => typeof value === "number";

/**
 * Let-through in one line: charge, energy, I²t, each with its uncertainty (k = 2).
 * @param {Figures} trip
 */
export function throughWords(trip) {
  const parts = [["c", "C"], ["j", "J"], ["a2s", "A²s"]].filter(([key]) => known(trip[`let_through_${key}`]))
    .map(([key, unit]) => withUncertainty(trip[`let_through_${key}`], trip[`let_through_${key}_u`], unit));
  return parts.length ? `let through ${parts.join(", ")}` : "";
}

/**
 * The energy against the plan's budget; null where the plan has none.
 * @param {Figures} trip
 */
export function budgetLine(trip) {
  if (!known(trip.budget_j)) return null;
  const most = known(trip.let_through_j_most) ? `, at most ${withUnit(trip.let_through_j_most, "J")}` : "";
  const words = trip.over_budget ? "MORE than the plan thinks harmless" : "within what the plan thinks harmless";
  return el("p", { class: trip.over_budget ? "over" : "", testid: "trip-budget" },
    `${withUncertainty(trip.let_through_j, trip.let_through_j_u, "J")}${most}: ${words}, ${withUnit(trip.budget_j, "J")}.`);
}

/**
 * The supply was quicker than the guard: both sides are shown. Whether its output is off is for the trip itself to say.
 * @param {Figures} trip
 */
export function disagreement(trip) {
  if (trip.rule !== "instrument") return null;
  /** @param {string} who @param {string} says */
  const side = (who, says) => el("p", {}, el("span", {}, who), " ", el("b", {}, says));
  return el("div", { class: "disagree", testid: "disagreement" },
    el("div", { class: "sides" }, side("benchd had it", "ON"), side("the supply", "ended it by itself")),
    el("p", {}, "A protection of the supply itself has tripped. Read its panel before you re-arm."));
}

/**
 * Pairs for a list of figures.
 * @param {Figures} trip
 * @returns {[string, string][]}
 */
export function figurePairs(trip) {
  /** @param {string} key @param {string} unit */
  const of = (key, unit) => {
    const value = trip[`let_through_${key}`];
    const most = trip[`let_through_${key}_most`];
    return known(value) ? `${withUncertainty(value, trip[`let_through_${key}_u`], unit)}${known(most) ? `, at most ${withUnit(most, unit)}` : ""}` : "";
  };
  const since = [["c", "C"], ["j", "J"], ["a2s", "A²s"]].filter(([key]) => known(trip[`since_on_${key}`]))
    .map(([key, unit]) => withUnit(trip[`since_on_${key}`], unit));
  return /** @type {[string, string][]} */ ([
    ["stage", trip.stage ? stage(trip.stage)[0] : ""],
    ["set", known(trip.set_voltage_v) ? `${withUnit(trip.set_voltage_v, "V")}, limit ${withUnit(trip.limit_a, "A")}` : ""],
    ["let through: charge", of("c", "C")],
    ["energy", of("j", "J")],
    ["I²t", of("a2s", "A²s")],
    ["harmless by plan", known(trip.budget_j) ? withUnit(trip.budget_j, "J") : "no figure"],
    ["since power-on", since.join(", ")],
  ].filter(([, value]) => value));
}
