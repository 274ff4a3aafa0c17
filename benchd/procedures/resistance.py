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
from benchd.procedures.coverage import half_width, step_limit
from benchd.procedures.taken import Measured
from benchd.traces.trace import Conditions
from benchd.traces.uncertainty import Known


class Resistance(NamedTuple):
    """A resistance and the half-width of its 95 % interval, Ω."""

    ohm: float
    u_ohm: float

    def minus(self, other: Resistance) -> Resistance:
        """With another one in line taken off, such as the leads; independent parts (JCGM 100 §5.1.2)."""
        return Resistance(self.ohm - other.ohm, math.hypot(self.u_ohm, other.u_ohm))


def from_one(measured: Measured, conditions: Conditions) -> Resistance:
    """R = V/I at one level. Raises ZeroDivisionError where no current flows."""
    volts, amps = measured.voltage_v.value, measured.current_a.value
    known = Known.of(conditions)
    ohm = volts / amps
    by_v, by_a = 1 / amps, ohm / amps
    limits = [
        by_v * (known.fraction_v * volts + known.offset_v),
        by_a * (known.fraction_a * amps + known.offset_a),
    ]
    steps, sigmas = _by_itself(measured, conditions, by_v, by_a)
    return Resistance(ohm, half_width([*map(abs, limits), *steps], sigmas))


def from_two(low: Measured, high: Measured, conditions: Conditions) -> Resistance:
    """R between two levels: offsets cancel. Raises ZeroDivisionError where the currents are the same."""
    rise_v = high.voltage_v.value - low.voltage_v.value
    rise_a = high.current_a.value - low.current_a.value
    known = Known.of(conditions)
    ohm = rise_v / rise_a
    by_v, by_a = 1 / rise_a, ohm / rise_a
    limits, sigmas = [abs(ohm) * known.fraction_v, abs(ohm) * known.fraction_a], []
    for level in (low, high):
        steps, scatter = _by_itself(level, conditions, by_v, by_a)
        limits += steps
        sigmas += scatter
    return Resistance(ohm, half_width(limits, sigmas))


def _by_itself(measured: Measured, conditions: Conditions, by_v: float, by_a: float) -> tuple[list[float], list[float]]:
    """What one level adds by itself: limits, from the steps of the meters, and the scatter of the means; in Ω."""
    n = math.sqrt(max(measured.readings, 1))
    volts, amps = measured.voltage_v, measured.current_a
    limits = [
        abs(by_v) * step_limit(conditions.resolution_v or 0.0, volts.sigma),
        abs(by_a) * step_limit(conditions.resolution_a or 0.0, amps.sigma),
    ]
    return limits, [abs(by_v) * volts.sigma / n, abs(by_a) * amps.sigma / n]


def at_celsius(ohm: float, measured_celsius: float, celsius: float) -> float:
    """A copper conductor's resistance at another temperature, Ω: R·(1 + α·(t - 20))/(1 + α·(t₀ - 20)), α at 20 °C
    (IEC 60028)."""
    return ohm * (1 + COPPER_PER_K * (celsius - 20)) / (1 + COPPER_PER_K * (measured_celsius - 20))
