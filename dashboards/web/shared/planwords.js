// A power plan in words: its stages in their order, its protections, what a good board is expected to do.

import { duration, withUnit } from "./format.js";

/**
 * Pairs of name and words, in the order in which they happen.
 * @param {Record<string, any>} values a plan's keys
 * @returns {[string, string][]}
 */
export function planStages(values) {
  const { probe, hold } = values;
  return /** @type {[string, string][]} */ ([
    probe && ["Probe", `${withUnit(probe.voltage_v ?? 0.5, "V")}, limit ${withUnit(probe.limit_a ?? 0.1, "A")}, ${probe.ms ?? 200} ms; a rail below ${withUnit(probe.least_ohm, "Ω")} ends it`],
    hold && ["Hold", `${withUnit(values.voltage_v, "V")}, limit ${withUnit(hold.limit_a, "A")}, ${duration(hold.seconds ?? 2)}${hold.by_hand ? ", until the limit is raised by hand" : ""}: hands off the button`],
    ["Boot", `${withUnit(values.voltage_v, "V")}, limit ${withUnit(values.limit_a, "A")}`],
  ].filter(Boolean));
}

/**
 * Protections, budgets and expectations, as pairs; what the plan does not state is left out.
 * @param {Record<string, any>} values a plan's keys
 * @returns {[string, string][]}
 */
export function planFacts(values) {
  const { budget = {}, expected_idle_a: idle } = values;
  /** @param {any} value */
  const given = (value) => value !== undefined && value !== null;
  return /** @type {[string, string][]} */ ([
    ["over-voltage above", given(values.over_voltage_v) && withUnit(values.over_voltage_v, "V")],
    ["over-current above", given(values.over_current_a) && withUnit(values.over_current_a, "A")],
    ["harmless capacitance", given(values.harmless_bulk_uf) && `${values.harmless_bulk_uf} µF`],
    ["short is cut within", given(values.cut_within_ms) && `${values.cut_within_ms} ms`],
    ["energy into a fault", given(budget.fault_j) && withUnit(budget.fault_j, "J")],
    ["energy since power-on", given(budget.energy_j) && withUnit(budget.energy_j, "J")],
    ["I²t since power-on", given(budget.square_a2s) && withUnit(budget.square_a2s, "A²s")],
    ["longest on", given(values.longest_on_s) && duration(values.longest_on_s)],
    ["leak of a good board", given(values.expected_leak_a) && `up to ${withUnit(values.expected_leak_a, "A")}`],
    ["idle of a good board", idle && `${withUnit(idle[0], "A")} to ${withUnit(idle[1], "A")}`],
    ["fed at the USB side", values.usb_side && "yes: read by its classes of current too"],
    ["made for long tests", values.soak && "yes: quiet hours do not end it"],
  ].filter(([, words]) => words));
}
