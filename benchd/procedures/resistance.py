"""Resistance from voltage and current, and how well it is known. Pure.

The meters of a supply have a gain and an offset each, the same for readings that follow each other. Between two levels
of current the offsets cancel, as when the current is reversed:

    R = (V2 - V1) / (I2 - I1)        (textbook, four-wire and two-wire alike)

and what is left is the gains, the steps and the noise. From one level R = V / I carries the offsets, too.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from benchd.plans.leads import COPPER_PER_K
from benchd.procedures.coverage import NORMAL, Parts, degrees, half_width, step_limit
from benchd.procedures.record import LeadSet
from benchd.procedures.taken import Mean, Measured
from benchd.traces.trace import Conditions
from benchd.traces.uncertainty import Known

POOLED_ALL, POOLED_NONE = 10, 60
"""Up to so many readings of two levels, their scatter is taken as one; from so many on, each has its own; between the
two, a part. Our choice, by drawn supplies: with noise of 0.05 to 0.2, 0.2 to 0.4 and 0.4 to 1 of a step it held 94 to
97 of 100, at 10 to 100 readings."""


class Resistance(NamedTuple):
    """A resistance and the half-width of its 95 % interval, Ω."""

    ohm: float
    u_ohm: float


def from_one(measured: Measured, conditions: Conditions, leads: LeadSet | None = None) -> Resistance:
    """R = V/I at one level, less the leads. Raises ZeroDivisionError where no current flows.

    Leads that a run measured were measured by the same meters, whose gains are wrong by the same share then as now: of
    what remains, they are wrong by that share of what remains alone (correlated parts, JCGM 100 §5.2.2).
    """
    volts, amps = measured.voltage_v.value, measured.current_a.value
    known = Known.of(conditions)
    whole = volts / amps
    ohm = whole - leads.ohm if leads is not None else whole
    by_gain = ohm if leads is not None and leads.run else whole
    limits = (
        abs(by_gain) * known.fraction_v,
        abs(by_gain) * known.fraction_a,
        known.offset_v / abs(amps),
        abs(whole / amps) * known.offset_a,
    )
    parts = Parts(limits).and_(by_itself(measured, conditions))
    return Resistance(ohm, parts.and_(of_leads(leads, known)).half_width())


def from_two(low: Measured, high: Measured, conditions: Conditions) -> Resistance:
    """R between two levels: offsets cancel. Raises ZeroDivisionError where the currents are the same."""
    rise_v = high.voltage_v.value - low.voltage_v.value
    rise_a = high.current_a.value - low.current_a.value
    known = Known.of(conditions)
    ohm = rise_v / rise_a
    parts = Parts((abs(ohm) * known.fraction_v, abs(ohm) * known.fraction_a))
    for level in _by_the_same_meters(low, high):
        parts = parts.and_(_scattered(level, conditions, 1 / rise_a, ohm / rise_a))
    return Resistance(ohm, parts.half_width())


def by_itself(measured: Measured, conditions: Conditions) -> Parts:
    """What one measurement of R = V/I adds that the next, by the same meters at the same current, does not share: steps
    and noise. Raises ZeroDivisionError where no current flows."""
    volts, amps = measured.voltage_v.value, measured.current_a.value
    return _scattered(measured, conditions, 1 / amps, volts / amps**2)


def _by_the_same_meters(low: Measured, high: Measured) -> tuple[Measured, Measured]:
    """Both, with a scatter that goes by both: the noise is the meters' own. What rounding makes of it at one level goes
    by where between two steps that lies, and few readings show little of it; many tell each by itself."""
    both = max(min(low.readings, high.readings), 1)
    share = min(max((POOLED_NONE - both) / (POOLED_NONE - POOLED_ALL), 0.0), 1.0)

    def pooled(one: Mean, other: Mean) -> Mean:
        mean2 = (one.sigma**2 + other.sigma**2) / 2
        return one._replace(sigma=math.sqrt(share * mean2 + (1 - share) * one.sigma**2))

    def of(one: Measured, other: Measured) -> Measured:
        return one._replace(
            voltage_v=pooled(one.voltage_v, other.voltage_v), current_a=pooled(one.current_a, other.current_a)
        )

    return of(low, high), of(high, low)


def _scattered(measured: Measured, conditions: Conditions, by_v: float, by_a: float) -> Parts:
    """Limits from the steps of the meters, and the scatter of the means. `by_v`, `by_a`: Ω for each V and A."""
    n = max(measured.readings, 1)
    limits, scatters = [], []
    for by, mean, step in (
        (by_v, measured.voltage_v, conditions.resolution_v or 0.0),
        (by_a, measured.current_a, conditions.resolution_a or 0.0),
    ):
        limits.append(abs(by) * step_limit(step, mean.sigma, n))
        scatters.append((abs(by) * mean.sigma / math.sqrt(n), degrees(step, mean.sigma, n)))
    return Parts(tuple(limits), tuple(scatters))


def of_leads(leads: LeadSet | None, known: Known) -> Parts:
    """What the leads add, Ω. Of those measured by the same meters the gains are left out: they are in what remains."""
    if leads is None:
        return Parts()
    ohm = abs(leads.ohm)  # noise may make them less than nothing
    gains = half_width([ohm * known.fraction_v, ohm * known.fraction_a]) if leads.run else 0.0
    return Parts((), ((math.sqrt(max(leads.u_ohm**2 - gains**2, 0.0)) / NORMAL, math.inf),))


def at_celsius(ohm: float, measured_celsius: float, celsius: float) -> float:
    """A copper conductor's resistance at another temperature, Ω: R·(1 + α·(t - 20))/(1 + α·(t₀ - 20)), α at 20 °C
    (IEC 60028)."""
    return ohm * (1 + COPPER_PER_K * (celsius - 20)) / (1 + COPPER_PER_K * (measured_celsius - 20))
