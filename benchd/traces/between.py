"""What went through between two moments of a trace: what the two cursors of a plot are asked for."""

from __future__ import annotations

import math
from collections.abc import Iterable

import msgspec
import numpy as np

from benchd.traces.samples import Samples
from benchd.traces.trace import Conditions
from benchd.traces.uncertainty import COVERAGE, Known, from_limit, from_step


class At(msgspec.Struct, frozen=True):
    """The reading that is nearest to a moment."""

    t_s: float
    """s after the trace's start."""
    voltage_v: float
    current_a: float


class Between(msgspec.Struct, frozen=True):
    """Readings with from_s <= t <= to_s, s after the trace's start. None: there is no reading to tell it by."""

    from_s: float
    to_s: float
    first: At | None
    """Nearest to `from_s`, of the whole trace."""
    last: At | None
    """Nearest to `to_s`."""
    readings: int = 0
    charge_c: float | None = None
    """∫ I dt by the trapezoidal rule (textbook), straight between readings and up to the two moments, C."""
    charge_u_c: float | None = None
    """Its expanded uncertainty (k = 2) from accuracy and step of the supply's readings, C: the same error in every
    reading, so it adds up linearly (JCGM 100 §5.2.2). None: no accuracy is stated."""
    energy_j: float | None = None
    """∫ V·I dt likewise, J."""
    mean_a: float | None = None
    """Charge over the time that it is known of, A."""
    least_a: float | None = None
    most_a: float | None = None
    least_v: float | None = None
    most_v: float | None = None


def between(pieces: Iterable[Samples], start_ns: int, conditions: Conditions, from_s: float, to_s: float) -> Between:
    """Measure between two moments, in s after `start_ns`. `pieces`: the readings of the whole trace in time order.

    Readings that are no numbers are left out. Raises ValueError unless from_s <= to_s.
    """
    if not from_s <= to_s:
        raise ValueError(f"from {from_s} s to {to_s} s: the end must not be before the start")
    sums = _Sums(from_s, to_s)
    for piece in pieces:
        sums.add(piece, start_ns)
    mean = sums.charge_c / sums.known_s if sums.known_s > 0 else None
    return Between(
        from_s,
        to_s,
        sums.first,
        sums.last,
        sums.readings,
        sums.charge_c if mean is not None else None,
        _charge_u(conditions, mean, sums.known_s),
        sums.energy_j if mean is not None else None,
        mean,
        *sums.extremes(),
    )


def _charge_u(conditions: Conditions, mean_a: float | None, known_s: float) -> float | None:
    known = Known.of(conditions)
    if mean_a is None or not known.current_stated:
        return None
    accuracy = from_limit(known.fraction_a * abs(mean_a) + known.offset_a)
    return COVERAGE * known_s * math.hypot(accuracy, from_step(conditions.resolution_a or 0.0))


class _Sums:
    """Sums over pieces; the last reading of each piece is kept, so that the line to the next piece counts."""

    def __init__(self, from_s: float, to_s: float) -> None:
        self.from_s, self.to_s = from_s, to_s
        self.first: At | None = None
        self.last: At | None = None
        self.readings = 0
        self.known_s = self.charge_c = self.energy_j = 0.0
        self._low = [math.inf, math.inf]
        self._high = [-math.inf, -math.inf]
        self._edge: tuple[float, float, float] | None = None

    def add(self, piece: Samples, start_ns: int) -> None:
        """The next readings."""
        valid = np.isfinite(piece.voltage_v) & np.isfinite(piece.current_a)
        t = (piece.t_ns[valid] - start_ns) / 1e9
        volts, amps = piece.voltage_v[valid], piece.current_a[valid]
        if not len(t):
            return
        if self._edge is not None:
            t, volts, amps = (np.concatenate([[e], x]) for e, x in zip(self._edge, (t, volts, amps), strict=True))
            fresh = 1
        else:
            fresh = 0
        self._edge = float(t[-1]), float(volts[-1]), float(amps[-1])
        for name, at in (("first", self.from_s), ("last", self.to_s)):
            n = int(np.argmin(np.abs(t - at)))
            known: At | None = getattr(self, name)
            if known is None or abs(t[n] - at) < abs(known.t_s - at):
                setattr(self, name, At(float(t[n]), float(volts[n]), float(amps[n])))
        a, b = max(self.from_s, float(t[0])), min(self.to_s, float(t[-1]))
        if b < a:
            return
        inside = (t >= a) & (t <= b)
        new = inside.copy()
        new[:fresh] = False
        self.readings += int(np.count_nonzero(new))
        for k, column in enumerate((amps[new], volts[new])):
            self._low[k] = min(self._low[k], float(column.min(initial=math.inf)))
            self._high[k] = max(self._high[k], float(column.max(initial=-math.inf)))
        if b > a:
            ends = [np.interp([a, b], t, x) for x in (amps, volts)]
            at_s = np.concatenate([[a], t[inside], [b]])
            current, voltage = (
                np.concatenate([[e[0]], x[inside], [e[1]]]) for e, x in zip(ends, (amps, volts), strict=True)
            )
            self.known_s += b - a
            self.charge_c += float(np.trapezoid(current, at_s))
            self.energy_j += float(np.trapezoid(current * voltage, at_s))

    def extremes(self) -> tuple[float | None, float | None, float | None, float | None]:
        """Smallest and largest current, smallest and largest voltage."""
        if not self.readings:
            return None, None, None, None
        return self._low[0], self._high[0], self._low[1], self._high[1]
