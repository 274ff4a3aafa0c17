"""What a capacitor holds, from the readings that were recorded while it charged. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from benchd.procedures.coverage import Parts, step_limit
from benchd.procedures.record import LeadSet
from benchd.procedures.resistance import of_leads
from benchd.procedures.taken import Measured
from benchd.traces.samples import Samples
from benchd.traces.trace import Conditions
from benchd.traces.uncertainty import Known, from_step


def charged(
    samples: Samples, rest: Sequence[Measured], conditions: Conditions, leads: LeadSet | None
) -> tuple[float, float] | None:
    """Capacitance and half of its 95 % interval, F; None where nothing charges, or no voltage rises.

    Charge by the trapezoidal rule, the current at rest taken off (and the meter's offset with it), over the rise of the
    voltage behind the leads between the first reading and the last.
    """
    readings = sum(each.readings for each in rest)
    if len(samples) < 2 or not readings:
        return None
    at_rest_a = sum(each.current_a.value * each.readings for each in rest) / readings
    board_v = samples.voltage_v - samples.current_a * (leads.ohm if leads is not None else 0.0)
    rise_v, seconds = float(board_v[-1] - board_v[0]), (samples.t_ns - samples.t_ns[0]) / 1e9
    charge_c = float(np.trapezoid(samples.current_a - at_rest_a, seconds))
    if charge_c <= 0 or rise_v <= 0:
        return None
    farad, known = charge_c / rise_v, Known.of(conditions)
    parts = _of_charge(samples, at_rest_a, rest, conditions).times(1 / rise_v)
    parts = parts.and_(_of_rise(samples, rest, conditions, leads).times(farad / rise_v))
    return farad, parts.and_(Parts((farad * known.fraction_a, farad * known.fraction_v))).half_width()


def pooled(measured: Sequence[Measured]) -> tuple[float, float]:
    """Standard deviations of a voltage and a current reading, V and A, over several measurements: a handful of readings
    at one of them tells little, and one that happened to scatter least would weigh as if it were exact.

    Root of the mean variance, by degrees of freedom (the pooled variance of any text on statistics).
    """
    degrees = np.array([max(each.readings - 1, 0) for each in measured])
    if not degrees.sum():
        return 0.0, 0.0
    of_v, of_a = (
        float(np.sqrt(np.sum(degrees * np.square(sigmas)) / degrees.sum()))
        for sigmas in ([each.voltage_v.sigma for each in measured], [each.current_a.sigma for each in measured])
    )
    return of_v, of_a


def _of_charge(samples: Samples, at_rest_a: float, rest: Sequence[Measured], conditions: Conditions) -> Parts:
    """What the charge is uncertain by, C: a step of the current while it flows, and one of that at rest; scatter of
    both; and where between two readings the current changed. Readings at rest are rounded as the rest is."""
    sigma_a, step_a = pooled(rest)[1], conditions.resolution_a or 0.0
    apart_s = np.diff(samples.t_ns) / 1e9
    flows = samples.current_a[1:] - at_rest_a > step_a + 3 * sigma_a
    step_c = step_limit(step_a, sigma_a) * float(apart_s[flows].sum())
    between_c = np.maximum(np.abs(np.diff(samples.current_a)) - 2 * sigma_a, 0.0) * apart_s / 2
    readings = sum(each.readings for each in rest)
    scatters = (sigma_a * float(apart_s.sum()) / math.sqrt(readings), sigma_a * math.sqrt(float(np.sum(apart_s**2))))
    return Parts((step_c, step_c, *between_c.tolist()), tuple((each, math.inf) for each in scatters))


def _of_rise(samples: Samples, rest: Sequence[Measured], conditions: Conditions, leads: LeadSet | None) -> Parts:
    """What the rise of the voltage is uncertain by, V: two readings with a step each, and what the leads took."""
    step_v = conditions.resolution_v or 0.0
    own_v = math.sqrt(max(pooled(rest)[0] ** 2 - from_step(step_v) ** 2, 0.0))  # the steps are told by themselves
    fell_a = float(samples.current_a[0] - samples.current_a[-1])
    parts = Parts((step_v / 2, step_v / 2), ((own_v, math.inf), (own_v, math.inf)))
    return parts.and_(of_leads(leads, Known.of(conditions)).times(fell_a))
