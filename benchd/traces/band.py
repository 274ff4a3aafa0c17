"""The band of a board's references: what a good one draws at each time after the button, and how well that is known."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from benchd.traces.align import Curve, aligned, bin_width, curve_of, grid
from benchd.traces.features import Features
from benchd.traces.line import Floats
from benchd.traces.trace import Trace
from benchd.traces.uncertainty import COVERAGE

Counts = NDArray[np.int64]

USUAL_SHARE = 0.05
"""Standard deviation from one good board to the next of a kind, as a share of the current, where too few references
say better (common practice, no source)."""
USUAL_A = 0.003
"""The same of small currents, A (common practice, no source)."""
USUAL_WEIGHT = 2.0
"""The usual spread counts like so many references beyond the first."""
TEXTURE_S = 2.0
"""Work of a processor is looked at in stretches as long as this, to tell how much its current scatters, s."""
LONGEST_BURST_S = 0.25
"""Bursts of work are shorter than this; what is longer is a phase, s (common practice, no source)."""
NORMAL_PER_UPPER_DIFFERENCE = 0.61470
"""Standard deviation of white noise over the upper quartile of the amounts of its differences: 1/(√2·Φ⁻¹(7/8))."""
BEFORE_S = 0.5
"""So long before the stretch that is compared a reference is looked at as well, s: what is a little later in another
trace may be what it did then."""
FARTHEST_V = 0.25
"""Traces whose supply voltages differ by more than this share are not compared."""


class BandError(ValueError):
    """These traces make no band; says which and why."""


@dataclasses.dataclass(frozen=True, slots=True)
class Level:
    """What the references draw in each of some stretches of equal length. Columns of equal length."""

    mean_a: Floats
    spread_a: Floats
    """Standard deviation from one good board to the next, A."""
    u_a: Floats
    """Standard uncertainty of the mean, A."""
    count: Counts
    """How many references reach there; where none does, the others are NaN."""


@dataclasses.dataclass(frozen=True, slots=True)
class Band:
    """References of one board, aligned at the button, in bins of `width_s`."""

    curves: tuple[Curve, ...]
    width_s: float
    edges_s: Floats
    """Of the bins, one more than there are; s after the button."""
    rows_a: Floats
    """Mean current of each reference in each bin, A; NaN where it has no readings."""
    texture_a: Floats
    """Standard deviation of a bin within one power-up, which the bursts of a processor make, A."""
    level: Level
    """In each bin; see `over` for longer stretches."""

    @classmethod
    def of(cls, traces: Sequence[Trace], features: Sequence[Features] | None = None) -> Band:
        """The band of these references; one is enough. `features`: of each, where somebody has them already.

        Raises BandError when there is none, or one of them shows no button or was taken at quite another voltage.
        """
        known: Sequence[Features | None] = features if features is not None else [None] * len(traces)
        curves = [curve_of(t, f) for t, f in zip(traces, known, strict=True)]
        return cls.of_curves(curves)

    @classmethod
    def of_curves(cls, curves: Sequence[Curve | None]) -> Band:
        """The same from curves. They are aligned to the one with the finest readings."""
        if not curves:
            raise BandError("a band needs one reference at least; none was given")
        given: list[Curve] = []
        for k, curve in enumerate(curves, 1):
            if curve is None:
                raise BandError(
                    f"reference {k} of {len(curves)} shows no button, so that nothing says where it begins; "
                    "mark the button in it, or take another"
                )
            given.append(curve)
        finest = min(given, key=lambda c: c.width_s)
        for k, curve in enumerate(given, 1):
            if told := other_voltage(curve.set_v, finest.set_v):
                raise BandError(f"reference {k} of {len(curves)}: {told}")
        laid = tuple(c if c is finest else aligned(c, finest) for c in given)
        return _band(laid, bin_width(list(laid)))

    def at(self, width_s: float) -> Band:
        """The same in wider bins."""
        return self if width_s <= self.width_s else _band(self.curves, width_s)

    @property
    def t_s(self) -> Floats:
        """Middles of the bins, s after the button."""
        middles: Floats = (self.edges_s[:-1] + self.edges_s[1:]) / 2
        return middles

    @property
    def mean_a(self) -> Floats:
        """Mean of the references in each bin, A; NaN where none has readings."""
        return self.level.mean_a

    @property
    def count(self) -> Counts:
        """How many references have readings in each bin."""
        return self.level.count

    @property
    def u_next_a(self) -> Floats:
        """Standard uncertainty of where the next good board would lie, A (JCGM 100 §5.1.2)."""
        both: Floats = np.hypot(self.level.spread_a, self.level.u_a)
        return both

    @property
    def low_a(self) -> Floats:
        """Lower edge (k = 2) of what a good board may draw, A."""
        edge: Floats = self.mean_a - COVERAGE * self.u_next_a
        return edge

    @property
    def high_a(self) -> Floats:
        """Upper edge (k = 2), A."""
        edge: Floats = self.mean_a + COVERAGE * self.u_next_a
        return edge

    @property
    def set_v(self) -> float | None:
        """What the supply was set to, V; None: not known."""
        known = [c.set_v for c in self.curves if c.set_v is not None]
        return float(np.mean(known)) if known else None

    @property
    def from_s(self) -> float:
        """From here on traces are compared with it, s after the button."""
        return min(c.from_s for c in self.curves)

    @property
    def settled_s(self) -> float:
        """From here on most references stay about level, s after the button."""
        return float(np.median([c.settled_s for c in self.curves]))

    @property
    def finest(self) -> Curve:
        """The reference with the most readings a second; the others lie on it."""
        return min(self.curves, key=lambda c: c.width_s)


def other_voltage(one_v: float | None, other_v: float | None, called: str = "the reference") -> str:
    """Why currents at these two voltages cannot be compared, for a person; empty when they can, or are not known.
    `called`: whose the second is, in words."""
    if one_v is None or other_v is None or abs(one_v - other_v) <= FARTHEST_V * max(one_v, other_v):
        return ""
    return (
        f"it was powered with {one_v:g} V and {called} with {other_v:g} V: currents are compared up to "
        f"{FARTHEST_V:.0%} apart; power both with the same plan"
    )


def spread_of(values: Floats, usual: float) -> float:
    """Standard deviation from one reference to the next, from the values of all of them, in their unit.

    Few references say little of their spread: √((w·usual² + (n-1)·s²)/(w + n - 1)) with w = USUAL_WEIGHT, which is the
    mean of a scaled inverse χ² law's parameters (Gelman et al., Bayesian Data Analysis, §3.2).
    """
    n = len(values)
    own = float(np.var(values, ddof=1)) if n > 1 else 0.0
    return math.sqrt((USUAL_WEIGHT * usual**2 + (n - 1) * own) / (USUAL_WEIGHT + n - 1))


def _band(curves: tuple[Curve, ...], width_s: float) -> Band:
    edges = grid(min(c.from_s for c in curves) - BEFORE_S, max(c.to_s for c in curves), width_s)
    rows = np.array([np.where(edges[:-1] >= c.from_s - BEFORE_S - width_s / 2, c.means(edges), np.nan) for c in curves])
    there = np.isfinite(rows)
    each = np.array([_texture(row, width_s) for row in rows])
    texture = np.sqrt(np.where(there, each**2, 0.0).sum(axis=0) / np.maximum(np.count_nonzero(there, axis=0), 1))
    return Band(curves, width_s, edges, rows, texture, level_over(curves, rows, texture, width_s, 1))


def level_over(curves: Sequence[Curve], rows_a: Floats, texture_a: Floats, width_s: float, bins: int) -> Level:
    """What references draw in every stretch of so many neighbouring bins, the first beginning with the first bin."""
    rows = np.array([moving_mean(row, bins) for row in rows_a])
    there = np.isfinite(rows)
    count = np.count_nonzero(there, axis=0)
    some = np.maximum(count, 1)
    filled = np.where(there, rows, 0.0)
    mean = filled.sum(axis=0) / some
    # Bursts average out over more than one of them; what boards differ by does not.
    bursts = max(bins * width_s / LONGEST_BURST_S, 1.0)
    usual = (USUAL_SHARE * mean) ** 2 + USUAL_A**2 + moving_mean(texture_a**2, bins) / bursts
    between = np.where(there, (filled - mean) ** 2, 0.0).sum(axis=0) / np.maximum(count - 1, 1)
    # One stretch of a few references says next to nothing of their spread; its neighbours say the same.
    between = _smooth(between, max(round(TEXTURE_S / width_s), 1))
    beyond = np.maximum(count - 1, 0)
    spread = np.sqrt((USUAL_WEIGHT * usual + beyond * between) / (USUAL_WEIGHT + beyond))
    # Accuracy does not average out: the references may all have been read by one supply.
    accuracy = np.max([c.accuracy_a(mean) for c in curves], axis=0)
    noise = max(c.noise_a(bins * width_s) for c in curves)
    u = np.sqrt((spread**2 + noise**2) / some + accuracy**2)
    for column in (mean, spread, u):
        column[count == 0] = np.nan
    return Level(mean, spread, u, count)


def moving_mean(values: Floats, bins: int) -> Floats:
    """Means over every so many neighbours, as many fewer less one; NaN where one of them is."""
    if bins == 1:
        return values
    known = np.isfinite(values)
    sums = np.concatenate([[0.0], np.cumsum(np.where(known, values, 0.0))])
    gone = np.concatenate([[0], np.cumsum(~known)])
    means: Floats = (sums[bins:] - sums[:-bins]) / bins
    means[gone[bins:] > gone[:-bins]] = np.nan
    return means


def _texture(means: Floats, width_s: float) -> Floats:
    """How much bins scatter around each, as a standard deviation, A: the upper quartile of the amounts of differences
    between bins half a burst apart, over `TEXTURE_S`; a single step does not move it."""
    n = len(means)
    lag = max(round(LONGEST_BURST_S / 2 / width_s), 1)
    if n < lag + 3:
        return np.zeros(n)
    amounts = np.abs(means[lag:] - means[:-lag])
    amounts[~np.isfinite(amounts)] = 0.0
    size = min(max(round(TEXTURE_S / width_s), 3), len(amounts))
    windows = np.lib.stride_tricks.sliding_window_view(amounts, size)
    upper = np.partition(windows, 3 * size // 4, axis=1)[:, 3 * size // 4]
    # The window that lies about each bin as far as there is one.
    at = np.clip(np.arange(n) - (size + lag) // 2, 0, len(upper) - 1)
    texture: Floats = NORMAL_PER_UPPER_DIFFERENCE * upper[at]
    return texture


def _smooth(values: Floats, size: int) -> Floats:
    """Means over `size` around each, over fewer at the ends."""
    sums = np.concatenate([[0.0], np.cumsum(values)])
    k = np.arange(len(values))
    begin, end = np.maximum(k - size // 2, 0), np.minimum(k + size // 2 + 1, len(values))
    smooth: Floats = (sums[end] - sums[begin]) / (end - begin)
    return smooth
