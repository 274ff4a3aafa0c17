"""From readings as they come in to means with their uncertainty."""

from __future__ import annotations

import math
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from benchd.procedures.coverage import Parts, degrees, step_limit
from benchd.procedures.hands import Cut, Hands
from benchd.procedures.record import Value
from benchd.procedures.taken import Mean, Measured
from benchd.reading import Mode
from benchd.traces.samples import Samples
from benchd.traces.trace import Conditions
from benchd.traces.trip_words import quantity
from benchd.traces.uncertainty import Known

LONGEST_WITHOUT_S = 60.0
"""A measurement that has not its readings so long after its time ends the run. Our choice."""
Quantity = Literal["voltage_v", "current_a", "power_w"]


class Labelled(NamedTuple):
    """What a measurement is called, and what was set."""

    name: str
    side: str
    labels: dict[str, Value]
    set_voltage_v: float
    limit_a: float


async def collected(hands: Hands, side: str, seconds: float, settle_s: float, least: int) -> Samples:
    """Valid readings for so long, from when the settings have settled; at least so many. Raises Cut."""
    parts: list[Samples] = []
    from_ns, count = None, 0
    end_ns = hands.now_ns() + round((settle_s + seconds + LONGEST_WITHOUT_S) * 1e9)
    async for fresh in hands.readings(side):
        if hands.now_ns() > end_ns and count < least:
            told = f"side {side}: {count} of {least} readings were numbers, {LONGEST_WITHOUT_S:g} s after its time"
            raise Cut("timed-out", f"{told}; look at the supply's link and its meter")
        if not len(fresh):
            continue
        if from_ns is None:
            from_ns = int(fresh.t_ns[0]) + round(settle_s * 1e9)
        part = fresh.between(from_ns, 1 << 62)
        part = part.where(np.isfinite(part.current_a) & np.isfinite(part.voltage_v))
        if not len(part):
            continue
        parts.append(part)
        count += len(part)
        if count >= least and (int(part.t_ns[-1]) - from_ns) / 1e9 >= seconds:
            break
    return Samples.concat(parts)


async def reached(
    hands: Hands, side: str, what: Quantity, level: float, is_above: bool, for_s: float, timeout_s: float
) -> bool:
    """Whether readings come above (below) a level and stay there for so long, before the time is over. Raises Cut."""
    end_ns = hands.now_ns() + round(timeout_s * 1e9)
    since_ns = None
    async for part in hands.readings(side):
        for t_ns, value in zip(part.t_ns.tolist(), _values(part, what).tolist(), strict=True):
            holds = value > level if is_above else value < level
            since_ns = (t_ns if since_ns is None else since_ns) if holds else None
            if since_ns is not None and (t_ns - since_ns) / 1e9 >= for_s:
                return True
        if hands.now_ns() >= end_ns:
            break
    return False


def means(samples: Samples, conditions: Conditions) -> tuple[Mean, Mean]:
    """Those of voltage and current."""
    n = len(samples)
    sigma_v, sigma_a = (
        float(np.std(each, ddof=1)) if n > 1 else 0.0 for each in (samples.voltage_v, samples.current_a)
    )
    return mean_v(float(np.mean(samples.voltage_v)), sigma_v, n, conditions), mean_a(
        float(np.mean(samples.current_a)), sigma_a, n, conditions
    )


def mean_v(volts: float, sigma_v: float, n: int, conditions: Conditions) -> Mean:
    """A mean voltage of n readings, V; `sigma_v`: standard deviation of one."""
    known = Known.of(conditions)
    return _mean(volts, sigma_v, n, known.fraction_v, known.offset_v, conditions.resolution_v or 0.0)


def mean_a(amps: float, sigma_a: float, n: int, conditions: Conditions) -> Mean:
    """The same of a current, A."""
    known = Known.of(conditions)
    return _mean(amps, sigma_a, n, known.fraction_a, known.offset_a, conditions.resolution_a or 0.0)


def rise_a(both: tuple[Mean, Mean], readings: tuple[int, int], conditions: Conditions) -> tuple[float, float]:
    """By how much a mean current rose from the first to the second, by one meter, and half of its 95 % interval, A: the
    offset cancels, and of the gain only what the rise has of it counts."""
    step, rise = conditions.resolution_a or 0.0, both[1].value - both[0].value
    parts = Parts((Known.of(conditions).fraction_a * abs(rise),))
    for mean, count in zip(both, readings, strict=True):
        n = max(count, 1)
        own = ((mean.sigma / math.sqrt(n), degrees(step, mean.sigma, n)),)
        parts = parts.and_(Parts((step_limit(step, mean.sigma, n),), own))
    return rise, parts.half_width()


def _mean(value: float, sigma: float, n: int, fraction: float, offset: float, step: float) -> Mean:
    """The maker's accuracy, ± (fraction·|reading| + offset), as two limits that are independent of each other
    (rectangular, JCGM 100 §4.3.7), what rounding leaves, and scatter."""
    n = max(n, 1)
    limits = (fraction * abs(value), offset, step_limit(step, sigma, n))
    parts = Parts(limits, ((sigma / math.sqrt(n), degrees(step, sigma, n)),))
    return Mean(value, sigma, parts.half_width(), parts.reach())


def mean_of(samples: Samples, said: Labelled, conditions: Conditions) -> Measured:
    """Means of voltage and current, each with its 95 % interval."""
    return Measured(
        said.name,
        said.side,
        said.labels,
        (int(samples.t_ns[0]) + int(samples.t_ns[-1])) // 2,
        len(samples),
        *means(samples, conditions),
        bool(np.mean(samples.mode == Mode.CC) > 0.5),
        said.set_voltage_v,
        said.limit_a,
    )


def shown(measured: Measured) -> str:
    """A measurement in words."""
    volts, amps = measured.voltage_v, measured.current_a
    return f"{quantity(volts.value, 'V', volts.u)}, {quantity(amps.value, 'A', amps.u)}"


def _values(part: Samples, what: Quantity) -> NDArray[np.float64]:
    if what == "power_w":
        return part.voltage_v * part.current_a
    return part.voltage_v if what == "voltage_v" else part.current_a
