"""Does a current rise and fall again and again, and how often?"""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from benchd.traces.uncertainty import COVERAGE, from_step

Floats = NDArray[np.float64]

LEAST_HEIGHT = 0.3
"""Height of an autocorrelation peak below which it is chance. Bartlett's 1.96/√n holds for one lag; among hundreds of
lags white noise of 600 values reached 0.14."""
LEAST_PERIOD_S = 0.7
"""Shorter repetition is texture of a running processor, s (common practice, no source)."""
LEAST_SWING_A = 0.01
"""A smaller rise and fall is none, A (common practice, no source)."""
LEAST_DEPTH = 0.4
"""Share of its height that each try must fall by (common practice, no source)."""
LARGEST_SCATTER = 0.25
"""Standard deviation of the intervals over their mean up to which they are one period (common practice, no source)."""

HIGH = 0.5
"""Height of an autocorrelation peak that leaves no doubt about the repetition."""
LARGEST_SCATTER_OF_HIGH = 0.32
"""With so high a peak the intervals may scatter by this (common practice, no source)."""
EVEN = 0.2
"""Intervals that scatter by less than this are even."""
FLOOR = 0.15
"""Four even tries that each fall below this share of their height repeat, however unlike they are inside (common
practice, no source)."""
MOST_MISSED = 0.4
"""So many tries may have gone unseen per try seen: a slow meter may miss the top of one."""


@dataclasses.dataclass(frozen=True, slots=True)
class Repeats:
    """A repetition. `count`: rises seen; `height`: of the autocorrelation at the period, 0 to 1."""

    period_s: float
    uncertainty_s: float
    """Expanded (k = 2)."""
    count: int
    height: float
    scatter: float
    """Standard deviation of the intervals over their mean."""
    low_a: float
    high_a: float
    first_s: float
    """First rise, s after the first value."""


def autocorrelation(values: Floats) -> Floats:
    """Autocorrelation of the values about their mean, biased (shrinks as 1 - lag/n), 1 at lag 0. Zeros when the values
    are all the same. Box, Jenkins & Reinsel, Time Series Analysis, ch. 2."""
    n = len(values)
    x = values - values.mean() if n else values
    power = float(x @ x)
    if power <= 1e-18 * n:
        return np.zeros(n)
    size = 1 << (2 * n - 1).bit_length()
    spectrum = np.fft.rfft(x, size)
    result: Floats = np.fft.irfft(spectrum * spectrum.conj(), size)[:n] / power
    return result


def first_high_peak(acf: Floats, least_lag: int) -> tuple[int, float] | None:
    """Lag and height (corrected for its bias) of the first high peak of an autocorrelation; None without one.

    High: at least `LEAST_HEIGHT`, rising by 0.2 out of the valley before it, and at least 0.8 of the highest such.
    Lags up to half of the length count, since a period must fit in twice.
    """
    n = len(acf)
    lags = np.arange(n // 2 + 1)
    r = acf[: len(lags)] * n / (n - lags)
    if len(r) < 3:
        return None
    valley = np.minimum.accumulate(r)
    peak = np.flatnonzero((r[1:-1] >= r[:-2]) & (r[1:-1] > r[2:])) + 1
    peak = peak[(peak >= least_lag) & (r[peak] >= LEAST_HEIGHT) & (r[peak] - valley[peak] >= 0.2)]
    if not len(peak):
        return None
    first = int(peak[r[peak] >= 0.8 * r[peak].max()][0])
    return first, float(r[first])


def rises(values: Floats, low: float, high: float) -> list[int]:
    """Where the values get above 0.6 of the way from low to high, having been below 0.3 of it (or at the beginning)."""
    up, down = low + 0.6 * (high - low), low + 0.3 * (high - low)
    state = np.where(values > up, 1, np.where(values < down, -1, 0))
    at = np.flatnonzero(state)
    if not len(at):
        return []
    turned = np.concatenate([[-1], state[at][:-1]]) == -1
    return [int(k) for k in at[(state[at] == 1) & turned]]


def find_repeats(values: Floats, width_s: float, least_swing_a: float = LEAST_SWING_A) -> Repeats | None:
    """The repetition of a current given as means over `width_s`, from its first rise on; None when there is none.
    `least_swing_a`: what noise or the step of the reading may swing by, A.

    Smoothed at first, so that texture makes no rises of its own; pauses that are too short for that are seen without.
    """
    smooth = _smooth(values, max(round(0.2 / width_s), 1))
    found = _find(smooth, width_s, least_swing_a)
    return found if found or smooth is values else _find(values, width_s, least_swing_a)


def _find(smooth: Floats, width_s: float, least_swing_a: float) -> Repeats | None:
    if len(smooth) < 8:
        return None
    low, high = (float(x) for x in np.percentile(smooth, [2, 98]))
    if high - low < max(LEAST_SWING_A, least_swing_a) or low > (1 - LEAST_DEPTH) * high:
        return None
    edges = rises(smooth, low, high)
    peak = first_high_peak(autocorrelation(smooth), max(round(LEAST_PERIOD_S / width_s), 2))
    by_edges = _period_of(edges, width_s)
    height = peak[1] if peak else 0.0
    if by_edges and by_edges[1] <= LARGEST_SCATTER and by_edges[0] >= LEAST_PERIOD_S:
        period_s, scatter = by_edges
        lag = round(period_s / width_s)
        if not (peak and abs(peak[0] - lag) <= 0.2 * lag):
            r = autocorrelation(smooth)
            near = r[max(int(0.85 * lag), 1) : int(1.15 * lag) + 2]
            height = float(near.max()) * len(r) / max(len(r) - lag, 1) if len(near) else 0.0
    elif peak and len(smooth) / peak[0] >= 2.6:
        # Texture inside the tries makes more edges than tries: the first edge of each period counts.
        edges = _first_of_each(edges, peak[0])
        period_s, scatter = peak[0] * width_s, _folded_scatter(edges, peak[0])
        if scatter > (LARGEST_SCATTER_OF_HIGH if peak[1] >= HIGH else LARGEST_SCATTER):
            return None
    else:
        return None
    if len(edges) < 3 and not (len(edges) == 2 and len(smooth) - edges[1] >= 0.6 * period_s / width_s):
        return None
    deep = len(edges) >= 4 and scatter <= EVEN and low <= FLOOR * high
    if (height < LEAST_HEIGHT and not deep) or not _every_period(smooth, edges, round(period_s / width_s)):
        return None
    intervals = max(len(edges) - 1, 1)
    u = math.hypot(scatter * period_s / math.sqrt(intervals), math.sqrt(2) * from_step(width_s) / intervals)
    return Repeats(period_s, COVERAGE * u, len(edges), min(height, 1.0), scatter, low, high, edges[0] * width_s)


def of_even_falls(values: Floats, width_s: float, falls_s: Sequence[float], scatter: float) -> Repeats | None:
    """The repetition of a current that falls to nothing at even times, `falls_s` after the first value: where a gap is
    over one of them, rises alone do not show it. `scatter`: of the times between, over their mean. None where they are
    uneven or few, or the tries are unlike: a contact may let go at even times, but then the work goes on as it was."""
    between = np.diff(falls_s)
    if len(falls_s) < 4 or scatter > EVEN:
        return None
    period_s = float(np.median(between))
    low, high = (float(x) for x in np.percentile(values, [2, 98]))
    height = _alike(
        values, [round(x / width_s) for x in falls_s], round(period_s / width_s), low + FLOOR * (high - low)
    )
    if period_s < LEAST_PERIOD_S or height < LEAST_HEIGHT:
        return None
    u = math.hypot(scatter * period_s, math.sqrt(2) * from_step(width_s)) / math.sqrt(len(between))
    return Repeats(period_s, COVERAGE * u, len(falls_s), height, scatter, low, high, max(falls_s[0] - period_s, 0.0))


def _alike(values: Floats, falls: Sequence[int], lag: int, floor: float) -> float:
    """Median correlation of one try with the next, counted back from their falls, where both are above `floor`; 0 where
    too little is to be compared."""
    found = []
    for a, b in itertools.pairwise(falls):
        n = min(lag, a, b)
        one, other = values[a - n : a], values[b - n : b]
        both = (one > floor) & (other > floor)
        if np.count_nonzero(both) >= 5 and np.ptp(one[both]) > 0 and np.ptp(other[both]) > 0:
            found.append(float(np.corrcoef(one[both], other[both])[0, 1]))
    return float(np.median(found)) if len(found) >= 2 else 0.0


def _smooth(values: Floats, width: int) -> Floats:
    if width < 2 or len(values) < width:
        return values
    result: Floats = np.convolve(
        np.pad(values, (width // 2, width - 1 - width // 2), mode="edge"), np.ones(width) / width, "valid"
    )
    return result


def _period_of(edges: list[int], width_s: float) -> tuple[float, float] | None:
    """Mean interval in s and its relative scatter, from at least three rises (two intervals); with two: no scatter."""
    if len(edges) < 2:
        return None
    if edges[0] == 0 and len(edges) >= 4:
        # The values begin in the middle of a rise.
        edges = edges[1:]
    intervals = np.diff(edges) * width_s
    return float(intervals.mean()), float(intervals.std(ddof=1) / intervals.mean()) if len(intervals) > 1 else 0.0


def _first_of_each(edges: list[int], lag: int) -> list[int]:
    kept: list[int] = []
    for edge in edges:
        if not kept or edge - kept[-1] >= 0.6 * lag:
            kept.append(edge)
    return kept


def _folded_scatter(edges: list[int], lag: int) -> float:
    """Scatter of the intervals over their mean, where an interval may hold a try whose rise was not seen."""
    intervals = np.diff(edges)
    if len(intervals) < 2:
        return 1.0
    tries = np.maximum(np.rint(intervals / lag), 1)
    if float(tries.mean()) > 1 + MOST_MISSED:
        return 1.0
    each = intervals / tries
    return float(each.std(ddof=1) / each.mean())


def _every_period(smooth: Floats, edges: list[int], lag: int) -> bool:
    """From the first rise to the end each period has its height and its fall, and they are alike."""
    tops, falls = [], []
    for a, b in zip(edges, [*edges[1:], edges[-1] + lag], strict=True):
        part = smooth[a:b]
        if b > len(smooth) and len(part) < 0.8 * lag:
            continue
        tops.append(float(np.percentile(part, 95)))
        falls.append(1 - float(part.min()) / tops[-1] if tops[-1] > 0 else 0.0)
    if not tops or min(falls) < LEAST_DEPTH or min(tops) < 0.5 * max(tops):
        return False
    return len(smooth) - edges[-1] <= 1.6 * lag
