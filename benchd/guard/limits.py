"""The limits of the trip rules: whether they can be worked with, and what they make of a charging capacitance."""

from __future__ import annotations

from benchd.guard.wire import RuleLimits

LEAST_CHARGING_SHARE = 0.25
"""Share of the limit that charges the bulk capacitance of a harmless board; the rest may be its load. A resistive load
with which a start completes, R > V_set/I_limit, takes at most the fraction f of the limit at the fraction f of the
voltage, so 1 − f is left where the voltage has just not collapsed; half of that, and no more than a quarter, is our
choice. With 0.002 F and 1 A a rise of 125 V/s is asked for, 1.25 V in the default hold of 10 ms."""


def charging_s(limits: RuleLimits, voltage_v: float, limit_a: float) -> float:
    """How long the harmless capacitance may take to charge from zero, s: C·V/(share·I), from i = C·dV/dt."""
    return limits.harmless_bulk_f * voltage_v / (charging_share(limits) * limit_a)


def charging_share(limits: RuleLimits) -> float:
    """See LEAST_CHARGING_SHARE."""
    return min(LEAST_CHARGING_SHARE, (1 - limits.short_voltage_fraction) / 2)


def check_limits(limits: RuleLimits) -> None:
    """Raises ValueError naming the first limit that no rule can work with, its unit, and what is allowed."""
    for name, value, unit in (
        ("over_current_a", limits.over_current_a, "A"),
        ("over_voltage_v", limits.over_voltage_v, "V"),
    ):
        if value is not None and not 0 < value < float("inf"):
            raise ValueError(f"{name} = {value} {unit}: it must be above 0 {unit} and finite, or left out")
    if not 0 < limits.short_voltage_fraction < 1:
        raise ValueError(f"short_voltage_fraction = {limits.short_voltage_fraction}: it must be above 0 and below 1")
    if not 0 <= limits.short_hold_s <= 10:
        raise ValueError(f"short_hold_s = {limits.short_hold_s} s: it must be from 0 to 10 s")
    if not 0 < limits.harmless_bulk_f <= 1:
        raise ValueError(f"harmless_bulk_f = {limits.harmless_bulk_f} F: it must be above 0 and at most 1 F")
    if not 0 < limits.stale_s <= 60:
        raise ValueError(f"stale_s = {limits.stale_s} s: it must be above 0 and at most 60 s")
    for name, value, unit in (
        ("limit_hold_s", limits.limit_hold_s, "s"),
        ("energy_j", limits.energy_j, "J"),
        ("square_a2s", limits.square_a2s, "A²s"),
        ("fault_j", limits.fault_j, "J"),
        ("longest_on_s", limits.longest_on_s, "s"),
        ("power_w", limits.power_w, "W"),
    ):
        if value is not None and not 0 < value < float("inf"):
            raise ValueError(f"{name} = {value} {unit}: it must be above 0 {unit} and finite, or left out")
    if limits.collapse_allowed:
        missing = [name for name in ("energy_j", "longest_on_s", "power_w") if getattr(limits, name) is None]
        if missing:
            raise ValueError(
                f"collapse_allowed, but {' and '.join(missing)} left out: a rail that may be shorted gets power only "
                "with a most energy (J), a longest time (s) and a most power (W)"
            )
