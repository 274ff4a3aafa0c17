"""What a trip let through: charge, energy and I²t from its readings, with uncertainty and an upper bound.

Between readings the trapezoid rule holds (textbook); from the last reading before OFF was sent until then, and from the
last reading of all until OFF was confirmed, the last values are held, since nothing suggests that they fell.

The uncertainty is of what was read (JCGM 100:2008, k = 2). The error that the accuracy allows is taken as the same in
every reading of the trip, so that it adds up linearly; steps of the readings are independent of each other (§5.1.2,
§5.2.2); the ends in time are known within half a round trip.

The upper bound adds what no reading saw: from the last good reading to the onset, and from the last reading with the
output on to the next one or to OFF confirmed, the current may have been at the supply's limit and the voltage at its
setting. What the supply's own output capacitor gives beyond its limit is in neither figure: no reading shows it.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from benchd.traces.samples import Samples
from benchd.traces.uncertainty import COVERAGE, Known, from_limit, from_step

F64 = NDArray[np.float64]


class Through(NamedTuple):
    """One quantity that went through."""

    value: float
    u: float | None
    """Expanded uncertainty (k = 2) of what was read; None where the supply's accuracy is not stated."""
    most: float | None
    """Upper bound, what no reading saw included; None where OFF was not confirmed: it may flow still."""


class LetThrough(NamedTuple):
    """Charge C, energy J and I²t A²s from the onset until OFF was confirmed, or given up."""

    charge_c: Through
    energy_j: Through
    square_a2s: Through


class Moments(NamedTuple):
    """When it happened, ns. `good_ns`: the last reading before the onset, or power-on; None: not known."""

    good_ns: int | None
    onset_ns: int
    off_sent_ns: int
    off_confirmed_ns: int | None


class Steps(NamedTuple):
    """What readings can tell apart."""

    voltage_v: float = 0.0
    current_a: float = 0.0
    half_trip_s: float = 0.0
    """Half the longest round trip: so well the time of a reading is known, s."""


def let_through(
    samples: Samples, at: Moments, known: Known, steps: Steps, set_voltage_v: float, limit_a: float
) -> LetThrough:
    """Sums over the readings from the onset on. Without any in that time all is 0, and only the bound says more."""
    t_s, volts, amps = _path(samples, at)
    weights = _weights(t_s)
    unseen_s = _unseen_s(samples, at)
    power, square = volts * amps, amps * amps
    accuracy_a = from_limit(1.0) * (known.fraction_a * np.abs(amps) + known.offset_a)
    accuracy_v = from_limit(1.0) * (known.fraction_v * np.abs(volts) + known.offset_v)
    step_a, step_v = from_step(steps.current_a), from_step(steps.voltage_v)
    ends_s = from_limit(steps.half_trip_s)

    def through(
        value: F64, common: tuple[F64, ...], single: tuple[F64, ...], most: float, stated: bool
    ) -> Through:  # `common`, `single`: standard uncertainty of each point, the same in all or independent
        u = COVERAGE * _combined(weights, value, common, single, ends_s)
        total = float(weights @ value)
        bound = None if at.off_confirmed_ns is None else total + u + most * unseen_s
        return Through(total, u if stated else None, bound)

    most_a = max(limit_a, float(amps.max(initial=0.0)))
    return LetThrough(
        through(amps, (accuracy_a,), (np.full_like(amps, step_a),), most_a, known.current_stated),
        through(
            power,
            (volts * accuracy_a, amps * accuracy_v),
            (volts * step_a, amps * step_v),
            most_a * max(set_voltage_v, float(volts.max(initial=0.0))),
            known.current_stated and known.voltage_stated,
        ),
        through(square, (2 * amps * accuracy_a,), (2 * amps * step_a,), most_a**2, known.current_stated),
    )


def _path(samples: Samples, at: Moments) -> tuple[F64, F64, F64]:
    """The points to sum over: time since the onset s, V, A; with the held ones."""
    end_ns = max(at.off_sent_ns, at.off_confirmed_ns or 0)
    valid = np.isfinite(samples.voltage_v) & np.isfinite(samples.current_a)
    inside = valid & (samples.t_ns >= at.onset_ns) & (samples.t_ns <= max(end_ns, at.onset_ns))
    # Reading times stay whole numbers until the onset is taken off: a float has no ns since the epoch.
    t_s = (samples.t_ns[inside] - at.onset_ns) / 1e9
    volts, amps = samples.voltage_v[inside], samples.current_a[inside]
    for held_ns in (at.off_sent_ns, end_ns):
        t_s, volts, amps = _held(t_s, volts, amps, (held_ns - at.onset_ns) / 1e9)
    return t_s, volts, amps


def _held(t_s: F64, volts: F64, amps: F64, until_s: float) -> tuple[F64, F64, F64]:
    """A point at `until_s` with the values of the one before it; nothing before the first point."""
    place = int(np.searchsorted(t_s, until_s, side="right"))
    if place == 0:
        return t_s, volts, amps
    return (
        np.insert(t_s, place, until_s),
        np.insert(volts, place, volts[place - 1]),
        np.insert(amps, place, amps[place - 1]),
    )


def _weights(t_s: F64) -> F64:
    """How much each point counts in the trapezoid sum, s."""
    if len(t_s) < 2:
        return np.zeros_like(t_s)
    gaps = np.diff(t_s)
    weights: F64 = (np.append(gaps, 0.0) + np.insert(gaps, 0, 0.0)) / 2
    return weights


def _combined(weights: F64, value: F64, common: tuple[F64, ...], single: tuple[F64, ...], ends_s: float) -> float:
    """Standard uncertainty of the sum."""
    if not len(weights):
        return 0.0
    parts = [float(weights @ np.abs(each)) ** 2 for each in common]
    parts += [float(np.sum((weights * each) ** 2)) for each in single]
    parts += [(float(value[end]) * ends_s) ** 2 for end in (0, -1)]
    return float(np.sqrt(sum(parts)))


def _unseen_s(samples: Samples, at: Moments) -> float:
    """How long nobody looked while the output may have been on, s."""
    end_ns = max(at.off_sent_ns, at.off_confirmed_ns or 0)
    before = 0 if at.good_ns is None else max(0, at.onset_ns - at.good_ns)
    times = samples.t_ns[samples.t_ns <= end_ns]
    on = times[times <= at.off_sent_ns]
    if not len(times):
        return (before + max(0, end_ns - at.onset_ns)) / 1e9
    last_on = int(on[-1]) if len(on) else at.onset_ns
    after = times[times > at.off_sent_ns]
    to_next = (int(after[0]) if len(after) else end_ns) - last_on
    to_end = end_ns - int(after[-1]) if len(after) else 0
    return (before + max(0, to_next) + max(0, to_end)) / 1e9
