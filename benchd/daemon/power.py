"""From a plan to what the guard is asked for. Pure: the plan is read once, and what is on has no tie to it any more."""

from __future__ import annotations

from typing import NamedTuple

import msgspec

from benchd.guard.rules import charging_s
from benchd.guard.wire import RuleLimits, Stage
from benchd.plans.plan import Plan
from benchd.procedures.hands import Bounds
from benchd.reading import SenseAt

INJECTION_BEFORE_V = 0.3
"""At the leads before a shorted rail is fed, V: a diode's drop less, since a short holds nothing. Our choice."""
FIRST_BEFORE_V = 1.0
"""At the leads before the first power-on of a run, V: more than an open output floats to, less than any battery of use
has (common practice, no source)."""
LEAST_OVER_CURRENT_DELAY_S = 0.5
"""Of the supply's own over-current protection. It is the second layer: the rules come first, and it must not end a
start that they let through. Our choice."""


class PowerAsk(NamedTuple):
    """One power-on as `GuardClient.power_on` takes it."""

    voltage_v: float
    limit_a: float
    rules: RuleLimits
    before: tuple[Stage, ...]
    over_current_delay_s: float | None
    most_voltage_v: float | None = None
    """Ceilings of what may be asked for while it is on; None: it stays as it was switched on."""
    most_limit_a: float | None = None
    most_before_v: float | None = None
    """Refused where the output shows more than this while it is still off; None: not looked at."""
    sense: SenseAt = ""
    """Empty: as the settings of the output say."""


def asked(plan: Plan, lead_ohm: float = 0.0) -> PowerAsk:
    """What a plan asks of the guard. `lead_ohm`: of both leads together, Ω."""
    return PowerAsk(plan.voltage_v, plan.limit_a, rule_limits(plan), stages(plan, lead_ohm), over_current_delay_s(plan))


def within(
    plan: Plan, voltage_v: float, limit_a: float, bounds: Bounds, lead_ohm: float, first: bool = True
) -> PowerAsk:
    """What a run asks of the guard: these settings, and later others up to its bounds, which are the plan's at most.

    Nobody says when a hold is over: in a run it ends by itself. `first`: nothing was switched on in this run before, so
    that a voltage at the leads is another source's. Raises ValueError for more than the plan or the bounds.
    """
    most = reduced(plan, bounds.voltage_v, bounds.limit_a)
    for name, given, allowed, unit in (("voltage_v", voltage_v, bounds.voltage_v, "V"),
                                       ("limit_a", limit_a, bounds.limit_a, "A")):  # fmt: skip
        if not 0 < given <= allowed:
            raise ValueError(
                f"{name} = {given:g} {unit} was asked for; the run may set above 0 {unit}, up to {allowed:g} {unit}"
            )
    first_of_all = reduced(most, voltage_v, limit_a)
    if not bounds.hold:
        first_of_all = first_of_all.model_copy(update={"hold": None})
    before = stages(first_of_all, lead_ohm) if bounds.stages else ()
    return PowerAsk(
        voltage_v, limit_a, _rules_within(most, bounds),
        tuple(msgspec.structs.replace(stage, by_hand=False) for stage in before),
        # A run that sets its own settings works at its limit: the supply's own protection would end it there.
        over_current_delay_s(most) if bounds.stages else None, bounds.voltage_v, bounds.limit_a,
        INJECTION_BEFORE_V if bounds.injection else FIRST_BEFORE_V if first else None, bounds.sense,
    )  # fmt: skip


def _rules_within(most: Plan, bounds: Bounds) -> RuleLimits:
    rules = rule_limits(most)
    changed: dict[str, object] = {
        "energy_j": _least(rules.energy_j, bounds.energy_j),
        "longest_on_s": _least(rules.longest_on_s, bounds.longest_on_s),
    }
    if bounds.power_w is not None:
        changed["power_w"] = bounds.power_w
    if bounds.injection:
        changed["collapse_allowed"] = True
    return msgspec.structs.replace(rules, **changed)


def _least(*given: float | None) -> float | None:
    return min((each for each in given if each is not None), default=None)


def reduced(plan: Plan, voltage_v: float | None = None, limit_a: float | None = None) -> Plan:
    """The plan with less voltage or less limit, its stages no higher than that. Raises ValueError for more."""
    for name, given, most, unit in (("voltage_v", voltage_v, plan.voltage_v, "V"),
                                    ("limit_a", limit_a, plan.limit_a, "A")):  # fmt: skip
        if given is not None and not 0 < given <= most:
            raise ValueError(
                f"{name} = {given:g} {unit} was asked for; allowed with plan {plan.name!r} is above 0 {unit}, up to "
                f"its {most:g} {unit}: ask for less, or choose another plan"
            )
    volts = plan.voltage_v if voltage_v is None else voltage_v
    amps = plan.limit_a if limit_a is None else limit_a
    changed: dict[str, object] = {"voltage_v": volts, "limit_a": amps}
    if plan.probe is not None:
        lower = {"voltage_v": min(plan.probe.voltage_v, volts), "limit_a": min(plan.probe.limit_a, amps)}
        changed["probe"] = plan.probe.model_copy(update=lower)
    if plan.hold is not None:
        changed["hold"] = plan.hold.model_copy(update={"limit_a": min(plan.hold.limit_a, amps)})
    if plan.over_current_a is not None and plan.over_current_a > amps:
        changed["over_current_a"] = None  # the supply itself holds the current below that now
    return plan.model_copy(update=changed)


def rule_limits(plan: Plan) -> RuleLimits:
    """A plan's protections as the guard's rules take them."""
    return RuleLimits(
        over_current_a=plan.over_current_a,
        over_voltage_v=plan.over_voltage_v,
        short_voltage_fraction=plan.short_voltage_fraction,
        short_hold_s=plan.short_hold_ms / 1000,
        harmless_bulk_f=plan.harmless_bulk_uf / 1e6,
        stale_s=plan.stale_ms / 1000,
        limit_hold_s=plan.limit_hold_ms / 1000 or None,
        energy_j=plan.budget.energy_j,
        square_a2s=plan.budget.square_a2s,
        fault_j=plan.budget.fault_j,
        longest_on_s=plan.longest_on_s,
    )


def stages(plan: Plan, lead_ohm: float = 0.0) -> tuple[Stage, ...]:
    """What comes before the boot. The supply sees the leads in line with the rail, so the least resistance grows."""
    found = []
    if (probe := plan.probe) is not None:
        least_ohm = probe.least_ohm + lead_ohm
        found.append(Stage("probe", probe.voltage_v, probe.limit_a, probe.ms / 1000, least_ohm))
    if (hold := plan.hold) is not None:
        found.append(Stage("hold", plan.voltage_v, hold.limit_a, hold.seconds, by_hand=hold.by_hand))
    return tuple(found)


def over_current_delay_s(plan: Plan) -> float | None:
    """How long the supply's own over-current protection waits in limit, s; None: it is left as it is.

    Twice as long as the harmless capacitance may take to charge at the smallest limit that has the plan's voltage, and
    the rule's hold after that, so that it acts only where nobody else has. Our choice.
    """
    if not plan.instrument_over_current:
        return None
    least_a = plan.limit_a if plan.hold is None else plan.hold.limit_a
    rules = rule_limits(plan)
    return max(LEAST_OVER_CURRENT_DELAY_S, 2 * (charging_s(rules, plan.voltage_v, least_a) + rules.short_hold_s))
