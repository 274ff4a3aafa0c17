"""What the stages of a power-up have shown, as page, journal and MQTT tell of it. Pure."""

from __future__ import annotations

from typing import Any

from benchd.guard.wire import StageOver
from benchd.plans.plan import Plan
from benchd.traces.rail import Resistance, leak_u_a, resistance
from benchd.traces.trace import Conditions
from benchd.traces.trip_words import quantity


def probe_result(over: StageOver, plan: Plan | None, conditions: Conditions) -> dict[str, Any]:
    """As `ChannelView.probe`, leads taken off; `above_ohm` where the rail is open as far as the readings can tell."""
    found = resistance(over, conditions)
    lead_ohm = conditions.lead_ohm or 0.0
    least_ohm = plan.probe.least_ohm if plan is not None and plan.probe is not None else None
    return {
        "resistance_ohm": found.ohm,
        "uncertainty_ohm": found.u_ohm,
        "above_ohm": found.above_ohm,
        "least_ohm": least_ohm,
        "lead_ohm": lead_ohm,
        "passed": over.passed,
        "set_voltage_v": over.set_voltage_v,
        "limit_a": over.limit_a,
        "voltage_v": over.voltage_v,
        "current_a": over.current_a,
        "readings": over.readings,
        "text": _probe_text(found, over, least_ohm, lead_ohm),
    }


def leak_result(over: StageOver, plan: Plan | None, conditions: Conditions) -> dict[str, Any]:
    """As `ChannelView.leak`."""
    u_a = leak_u_a(over, conditions)
    expected_a = plan.expected_leak_a if plan is not None else None
    return {
        "current_a": over.current_a,
        "uncertainty_a": u_a,
        "expected_a": expected_a,
        "in_limit": over.in_limit,
        "passed": over.passed,
        "set_voltage_v": over.set_voltage_v,
        "limit_a": over.limit_a,
        "voltage_v": over.voltage_v,
        "readings": over.readings,
        "text": _leak_text(over, u_a, expected_a),
    }


def _probe_text(found: Resistance, over: StageOver, least_ohm: float | None, lead_ohm: float) -> str:
    leads = f", {shown(lead_ohm, 'Ω')} of leads taken off" if lead_ohm else ""
    if found.above_ohm is not None:
        return (
            f"Rail above {shown(found.above_ohm, 'Ω')}: {shown(over.voltage_v, 'V')} and no current to speak of{leads}."
        )
    if found.ohm is None:
        return "No current was read, and how well that is known is not stated: the rail's resistance cannot be told."
    text = f"Rail {plus_minus(found.ohm, found.u_ohm, 'Ω')}{leads}"
    if least_ohm is not None:
        word = "at least" if over.passed else "a dead short is below"
        text += f"; {word} {shown(least_ohm, 'Ω')} {'asked for' if over.passed else 'by the plan'}"
    return f"{text}."


def _leak_text(over: StageOver, u_a: float | None, expected_a: float | None) -> str:
    leak = plus_minus(over.current_a, u_a, "A")
    if over.in_limit:
        text = f"Before the button it draws all that the limit of {shown(over.limit_a, 'A')} gives, {leak}"
        return f"{text}, at {shown(over.voltage_v, 'V')} of {shown(over.set_voltage_v, 'V')}."
    text = f"Leak {leak} before the button"
    if expected_a is None:
        return f"{text}."
    # Only what is so even where the reading errs as far as it may is said.
    if over.current_a - (u_a or 0.0) > expected_a:
        word = "more than the"
    else:
        word = "within the" if over.current_a + (u_a or 0.0) <= expected_a else "this supply cannot tell it from the"
    return f"{text}: {word} {shown(expected_a, 'A')} of a good board."


def plus_minus(value: float, u: float | None, unit: str) -> str:
    """A figure and its expanded uncertainty with the same unit; without one it says so."""
    if u is None:
        return f"{shown(value, unit)} (the supply's accuracy is not stated)"
    return f"{quantity(value, unit, u)} (k = 2)"


def shown(value: float, unit: str) -> str:
    """A figure with three digits and a prefix."""
    scale, prefix = _scale(abs(value))
    return f"{value / scale:.3g} {prefix}{unit}"


def _scale(size: float) -> tuple[float, str]:
    for scale, prefix in ((1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m")):
        if size >= scale * 0.9995:
            return scale, prefix
    return (1e-6, "µ") if size > 0 else (1.0, "")
