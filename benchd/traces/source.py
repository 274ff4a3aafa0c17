"""What feeds the board, seen from its terminals: resistance of source and leads, sag, and time at a current limit."""

from __future__ import annotations

import dataclasses
import math
from typing import NamedTuple

import numpy as np

from benchd.traces.line import UP, Bools, Floats, Line, seen_step, some
from benchd.traces.noise import SIGMA_PER_MAD
from benchd.traces.start import Start
from benchd.traces.uncertainty import COVERAGE, Known, from_limit, from_step

INRUSH_S = 0.2
"""Being at the limit for so long after the first current is charging of capacitors, s (common practice, no source)."""
HOLDS = 0.93
"""Share of the setting above which the slope is looked for, where enough readings are there."""
LEAST_FIT = 12
"""So many readings at least for a slope."""
LEAST_SPAN_A = 0.05
"""Without currents that differ by this much there is no slope to be seen, A (common practice, no source)."""
OUTLIER = 4.0
"""Readings further off the line than this many standard deviations are left out of it (common practice, no source)."""
MOST_FIT = 4000
"""More readings than this do not make the slope better known."""
STARVED = 0.05
"""A voltage lower than resistance explains by this share of the setting: the source does not hold it (accuracies of
supplies' readings are 0.02 to 0.5 % and some mV; common practice, no source)."""


@dataclasses.dataclass(frozen=True, slots=True)
class Source:
    """Straight line through voltage over current while the source holds its voltage: V = open_v - ohm * I."""

    ohm: float
    """Resistance of source and leads up to where the voltage is measured, Ω (Ohm's law)."""
    u_ohm: float
    """Expanded uncertainty (k = 2), Ω."""
    open_v: float
    """Voltage with no current, V."""
    span_a: float
    """Currents from the 5th to the 95th percentile, A."""
    drop_v: float
    """What the resistance takes at the largest current, V."""


@dataclasses.dataclass(frozen=True, slots=True)
class Supplied:
    """How well the board was fed after its inrush."""

    limit_s: float = 0.0
    """Time at the known current limit with the voltage still up, s."""
    starved_s: float = 0.0
    """Time in which the voltage was lower than resistance explains while current flowed, collapse left out, s: a
    current limit that nothing tells of, or a source at its end."""
    sag: float = 0.0
    """Largest fall of the voltage that is no collapse, as a share of the setting; 0 where that is not known."""
    sag_u: float = 0.0
    """Its expanded uncertainty (k = 2), likewise; that of the setting itself is not in it."""
    board_sag: float | None = None
    """The same at the board, what the leads take being taken off; None: what they have is not known."""
    board_sag_u: float = 0.0


class Fall(NamedTuple):
    """Of a voltage, as a share of its setting."""

    share: float
    u: float
    """Expanded (k = 2)."""


def find_source(line: Line, known: Known) -> Source | None:
    """Least squares of V over I (any textbook), outliers left out once. None where too little current moved.

    The uncertainty takes the residual scatter (standard error of the slope), the step of the voltage reading over the
    span, and the stated gain errors of both readings (JCGM 100 §5.1.2); offsets do not change a slope.
    """
    # At the limit, or with the voltage pulled down, it is the limit and no resistance that sets it.
    holds = ~line.pinned & ~line.collapsed & ~line.reversed & (line.voltage_v > UP * (line.set_v or 0.0))
    stride = max(len(line.t_s) // MOST_FIT, line.repeats)
    i, v = line.current_a[::stride][holds[::stride]], line.voltage_v[::stride][holds[::stride]]
    most_a = float(i.max()) if len(i) else 0.0
    near_set = v > HOLDS * (line.set_v or 0.0)
    if np.count_nonzero(near_set) >= LEAST_FIT and np.ptp(i[near_set]) > LEAST_SPAN_A:
        # Further down a limit that nothing tells of may have set the voltage.
        i, v = i[near_set], v[near_set]
    if len(i) < LEAST_FIT:
        return None
    low, high = (float(x) for x in np.percentile(i, [5, 95]))
    top = float(i.max())
    span = max(high - low, 0.5 * (top - low))
    if span < max(LEAST_SPAN_A, 10 * line.sigma_a, 5 * line.resolution_a):
        return None
    slope, at = _fit(i, v)
    off = np.abs(v - (at + slope * i))
    step_v = seen_step(v)
    scale = max(SIGMA_PER_MAD * float(np.median(off)), from_step(step_v), 1e-6)
    near = off <= OUTLIER * scale
    if int(np.count_nonzero(near)) < max(LEAST_FIT, 0.6 * len(i)):
        return None
    i, v = i[near], v[near]
    slope, at = _fit(i, v)
    spread = float(((i - i.mean()) ** 2).sum())
    if not spread > len(i) * (LEAST_SPAN_A / 10) ** 2:
        # What moved was left out: all that is left lies at one current.
        return None
    residual = float(((v - (at + slope * i)) ** 2).sum()) / max(len(i) - 2, 1)
    drop = -slope * most_a
    gains = math.hypot(from_limit(known.fraction_a) * slope, from_limit(known.fraction_v) * slope)
    u = math.sqrt(residual / spread + (from_step(step_v) * math.sqrt(2) / span) ** 2 + gains**2)
    return Source(-slope, COVERAGE * u, at, span, max(drop, 0.0))


def find_supplied(line: Line, start: Start, source: Source | None, known: Known) -> Supplied:
    """Time at the limit, and how far the voltage fell, after the inrush."""
    steps = np.minimum(np.append(np.diff(line.t_s), line.interval_s), 2 * line.interval_s)
    first_s = start.first_s if start.first_s is not None else float(line.t_s[0])
    # What is at the limit before the first lasting current did not last.
    charging = line.t_s < first_s + INRUSH_S
    up = ~line.collapsed & ~line.reversed & ~charging
    limit_s = float(steps[line.pinned & up].sum())
    if line.set_v is None:
        return Supplied(limit_s)
    flows = up & (line.current_a > line.seen_a)
    starved_s = float(steps[flows & starved(line, source)].sum())
    volts, amps = line.voltage_v[flows], line.current_a[flows]
    if len(volts) < 3:
        return Supplied(limit_s, starved_s)
    sag = _fall(volts, line, known)
    if known.lead_ohm is None:
        return Supplied(limit_s, starved_s, *sag)
    at_board = volts - known.lead_ohm * amps  # Ohm's law
    board = _fall(at_board, line, known)
    lowest = amps[at_board <= np.percentile(some(at_board), 2)]
    lead_u = known.lead_u_ohm * float(np.median(lowest)) / line.set_v
    return Supplied(limit_s, starved_s, *sag, board.share, math.hypot(board.u, lead_u))


def _fall(volts: Floats, line: Line, known: Known) -> Fall:
    """How far below the setting it falls. By the second-lowest per cent, so that no single odd reading decides."""
    assert line.set_v is not None
    low = float(np.percentile(some(volts), 2))
    # First differences are blind to the slow changes that the board makes; see `line.noise_sigma`.
    steps_v = some(np.diff(volts[:: line.repeats]))
    sigma_v = SIGMA_PER_MAD / 2**0.5 * float(np.median(np.abs(steps_v))) if len(steps_v) else 0.0
    u = known.voltage_u(low, seen_step(volts), sigma_v) / line.set_v
    return Fall(max(1 - low / line.set_v, 0.0), u)


def starved(line: Line, source: Source | None) -> Bools:
    """Readings with a voltage that is lower than the resistance of source and leads explains."""
    if line.set_v is None:
        return np.zeros(len(line.t_s), np.bool_)
    ohm = max(source.ohm, 0.0) if source is not None and source.ohm > source.u_ohm else 0.0
    expected: Floats = line.set_v - ohm * line.current_a
    return line.voltage_v < expected - STARVED * line.set_v


def _fit(x: Floats, y: Floats) -> tuple[float, float]:
    """Slope and intercept of the least-squares line."""
    about_x, mean_y = x - x.mean(), float(y.mean())
    power = float(about_x @ about_x)
    slope = float(about_x @ (y - mean_y)) / power if power > 0 else 0.0
    return slope, mean_y - slope * float(x.mean())
