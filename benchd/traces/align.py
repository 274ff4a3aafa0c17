"""Traces laid over each other: each against the time after its button, in means over any bins; and warped in time."""

from __future__ import annotations

import dataclasses
import math
from typing import Literal

import numpy as np

from benchd.traces.features import Features, extract
from benchd.traces.line import Floats
from benchd.traces.start import BIN_S
from benchd.traces.trace import Trace
from benchd.traces.uncertainty import Known, from_limit, from_step

RISE_FROM_S = -0.5
RISE_TO_S = 0.6
"""The stretch about the button that alignment is refined on, s: the first rise lies in it."""
FINE_S = 0.01
"""Steps in which it is refined, s."""
HAND_REACH_S = 1.5
"""A button marked by hand lies so far at most from where the current shows it, s: a person's reaction before or after,
and boards that want it held for a second (common practice, no source)."""
LEAST_REACH_S = 0.15
"""A recognised button may be so far from the same moment of another power-up, s; twice a reading where that is more."""
LEAST_GAIN = 0.3
"""A shift must take away so large a share of the squared difference of the two rises; else chance may have done it."""
GAP_READINGS = 3.0
"""Longer than so many readings without one is a gap: nothing is known of the current in it."""
LEAST_GAP_S = 0.25
"""A shorter pause than this is none, s."""


@dataclasses.dataclass(frozen=True, slots=True)
class Curve:
    """The current of one trace against the time after its button, while the output was on and the board on the leads.

    `charge_c`: ∫ I dt up to each time, by the trapezoidal rule; means over any bins are taken from it.
    """

    t_s: Floats
    charge_c: Floats
    longest_gap_s: float
    width_s: float
    """Time that one measurement stands for: the median between readings, times the repeats."""
    zero_s: float
    """The button, s after the trace's start."""
    by: Literal["hand", "recogniser"]
    from_s: float
    """From here on it can be compared: from where the leak before the button was measured, else from the button."""
    sigma_a: float
    """Standard deviation of one measurement, A."""
    step_a: float
    seen_a: float
    """A current below this is not told from nothing, A."""
    set_v: float | None
    known: Known
    before_a: float | None
    """What leaked before the button, A; None where that cannot be seen."""
    settled_s: float
    """From here on the current stayed about level, s after the button; the end where it never did."""

    @property
    def to_s(self) -> float:
        """Its last reading."""
        return float(self.t_s[-1])

    def means(self, edges_s: Floats) -> Floats:
        """Mean currents between neighbouring edges, A; NaN where it has no readings (outside, or in a gap).

        The current is taken as straight between readings.
        """
        charge = np.interp(edges_s, self.t_s, self.charge_c)
        means: Floats = np.diff(charge) / np.diff(edges_s)
        begin, end = edges_s[:-1], edges_s[1:]
        # Half a reading beyond the first and the last still belongs to them.
        half = self.width_s / 2
        out = (begin < self.t_s[0] - half - 1e-9) | (end > self.t_s[-1] + half + 1e-9)
        means[out] = np.nan
        if self.longest_gap_s > (longest := max(GAP_READINGS * self.width_s, LEAST_GAP_S)):
            left = np.clip(np.searchsorted(self.t_s, begin, "right") - 1, 0, len(self.t_s) - 2)
            in_one = np.searchsorted(self.t_s, end, "left") - 1 <= left
            means[in_one & (self.t_s[left + 1] - self.t_s[left] > longest)] = np.nan
        # At the ends a part of the bin lies outside: the mean is over what is inside.
        inside = np.minimum(end, self.t_s[-1]) - np.maximum(begin, self.t_s[0])
        cut = (inside > 0) & (inside < (end - begin) * (1 - 1e-9))
        means[cut] *= (end - begin)[cut] / inside[cut]
        return means

    def mean_over(self, from_s: float, to_s: float) -> float:
        """Mean current between two times, A; NaN where it does not reach over them."""
        return float(self.means(np.array([from_s, to_s]))[0]) if to_s > from_s else float("nan")

    def shifted(self, by_s: float) -> Curve:
        """The same, `by_s` later after the button."""
        return dataclasses.replace(
            self,
            t_s=self.t_s + by_s,
            zero_s=self.zero_s - by_s,
            from_s=self.from_s + by_s,
            settled_s=self.settled_s + by_s,
        )

    def accuracy_a(self, current_a: Floats) -> Floats:
        """Standard uncertainty that the maker's accuracy leaves, A: the same in all its readings of this current."""
        limit = self.known.fraction_a * np.abs(current_a) + self.known.offset_a
        accuracy: Floats = limit * from_limit(1.0)
        return accuracy

    def noise_a(self, width_s: float) -> float:
        """Standard uncertainty that noise and step leave in a mean over `width_s`, A."""
        readings = max(width_s / self.width_s, 1.0)
        return float(np.hypot(self.sigma_a / np.sqrt(readings), from_step(self.step_a)))


def curve_of(trace: Trace, features: Features | None = None) -> Curve | None:
    """The trace against the time after its button; None when it shows no button, or has fewer than two readings then.

    `features`: as extracted from it, where somebody has them already.
    """
    f = extract(trace) if features is None else features
    if f.start is None or f.start.button_s is None or f.start.button_by is None:
        return None
    line, zero_s = f.line, f.start.button_s
    t_s, amps = line.t_s, line.current_a
    removed_s = trace.mark_s("removed")
    keep = np.isfinite(amps) & np.isfinite(t_s)
    if removed_s is not None:
        keep &= t_s < removed_s - line.interval_s
    t_s, amps = t_s[keep], amps[keep]
    forward = np.ones(len(t_s), bool)
    forward[1:] = t_s[1:] > np.maximum.accumulate(t_s)[:-1]
    t_s, amps = t_s[forward], amps[forward]
    if len(t_s) < 2 or t_s[-1] <= zero_s:
        return None
    charge = np.concatenate([[0.0], np.cumsum(0.5 * (amps[1:] + amps[:-1]) * np.diff(t_s))])
    before = f.start.leak_a is not None and f.start.leak_sure and f.start.leak_to_s <= zero_s
    rest = f.rest
    settled_s = rest.start_s + rest.length_s - rest.tail_s if rest is not None else float(t_s[-1])
    return Curve(
        t_s - zero_s,
        charge,
        float(np.diff(t_s).max()),
        max(line.interval_s * line.repeats, 1e-6),
        zero_s,
        f.start.button_by,
        (f.start.leak_from_s if before else zero_s) - zero_s,
        line.sigma_a,
        line.resolution_a,
        line.seen_a,
        line.set_v,
        f.known,
        f.start.leak_a if before else None,
        settled_s - zero_s,
    )


def reach_s(one: Curve, other: Curve) -> float:
    """How far the buttons of two traces may be apart, s: little where both were seen in the current, more where one
    was marked by hand."""
    slower = 2 * max(one.width_s, other.width_s)
    return max(HAND_REACH_S if "hand" in (one.by, other.by) else LEAST_REACH_S, slower)


def aligned(curve: Curve, to: Curve) -> Curve:
    """The curve moved so that its rise at the button lies on that of `to`.

    Both are laid on a grid of 10 ms, and the shift within `reach_s` with the least sum of squared differences in A is
    taken: cross-correlation with the energy of each shifted stretch counted, so that a rise is not drawn to a larger
    one further on. Not shifted where that explains little, or where either lacks readings about the button.
    """
    steps = math.ceil(reach_s(curve, to) / FINE_S - 1e-6)
    reach = steps * FINE_S
    edges = grid(RISE_FROM_S - reach, RISE_TO_S + reach, FINE_S)
    moved, fixed = curve.means(edges), to.means(edges)[steps : len(edges) - 1 - steps]
    windows = np.lib.stride_tricks.sliding_window_view(moved, len(fixed))
    both = np.isfinite(windows) & np.isfinite(fixed)
    counts = np.count_nonzero(both, axis=1)
    squares = np.where(both, (np.nan_to_num(windows) - np.nan_to_num(fixed)) ** 2, 0.0).sum(axis=1)
    # Each shift is judged by as much of the rise as the unshifted one.
    enough = counts >= max(0.5 * len(fixed), 0.9 * counts[steps])
    if not enough[steps]:
        return curve
    cost = np.where(enough, squares / np.maximum(counts, 1), np.inf)
    best = int(np.lexsort((np.abs(np.arange(len(cost)) - steps), cost))[0])
    if cost[best] > (1 - LEAST_GAIN) * cost[steps]:
        return curve
    return curve.shifted((steps - best) * FINE_S)


def grid(from_s: float, to_s: float, width_s: float) -> Floats:
    """Edges of bins of this width that cover a stretch; the button is one of them."""
    first, last = math.floor(from_s / width_s + 1e-6), math.ceil(to_s / width_s - 1e-6)
    edges: Floats = np.arange(first, last + 1, dtype=np.float64) * width_s
    return edges


def bin_width(curves: list[Curve], most_bins: int = 20_000) -> float:
    """Bins in which curves can be compared, s: 50 ms, or a reading of the slowest; wider for very long traces."""
    length_s = max(c.to_s - c.from_s for c in curves)
    return max(BIN_S, *(c.width_s for c in curves), length_s / most_bins)


def warp(cost: Floats) -> tuple[float, Floats]:
    """The cheapest way through a table of costs from its first corner to its last, by steps down, right or both.

    Returns the sum along it and its cells as rows of two indices. Dynamic time warping after Sakoe & Chiba, IEEE
    Trans. ASSP 26 (1978), with equal weight for each step. A cell of infinite cost is not entered; raises ValueError
    when that leaves no way.
    """
    n, m = cost.shape
    whole = np.full((n + 1, m + 1), np.inf)
    whole[0, 0] = 0.0
    flat, stride, costs = whole.ravel(), m + 1, np.ascontiguousarray(cost).ravel()
    # Cells of one antidiagonal do not depend on each other; they lie `m` apart in memory.
    for diagonal in range(n + m - 1):
        top, bottom = max(0, diagonal - m + 1), min(diagonal, n - 1)
        count = bottom - top + 1
        here = (top + 1) * stride + diagonal - top + 1
        at = slice(here, here + (count - 1) * m + 1, m)
        corner = slice(here - stride - 1, here - stride + (count - 1) * m, m)
        above = slice(here - stride, here - stride + (count - 1) * m + 1, m)
        left = slice(here - 1, here + (count - 1) * m, m)
        first = top * m + diagonal - top
        mine = costs[first : first + (count - 1) * (m - 1) + 1 : max(m - 1, 1)][:count]
        flat[at] = mine + np.minimum(np.minimum(flat[corner], flat[above]), flat[left])
    if not np.isfinite(whole[n, m]):
        raise ValueError("there is no way through: every one meets a cell that may not be entered")
    return float(whole[n, m]), _back(whole)


def _back(whole: Floats) -> Floats:
    """The cells of the cheapest way, from the sums up to each."""
    i, j = whole.shape[0] - 1, whole.shape[1] - 1
    cells = [(i - 1, j - 1)]
    while i > 1 or j > 1:
        steps = ((whole[i - 1, j - 1], i - 1, j - 1), (whole[i - 1, j], i - 1, j), (whole[i, j - 1], i, j - 1))
        _, i, j = min(steps, key=lambda s: s[0])
        cells.append((i - 1, j - 1))
    way: Floats = np.array(cells[::-1])
    return way


def warped_distance(a: Floats, b: Floats, reach: int | None = None) -> float:
    """Least root of the sum of squared differences of two sequences warped onto each other, in their unit.

    `reach`: so many places at most may a value be moved (None: any), counted from the diagonal that ends in the last
    corner where the lengths differ.
    """
    cost = (a[:, None] - b[None, :]) ** 2
    if reach is not None:
        ahead = np.arange(len(b))[None, :] - np.arange(len(a))[:, None]
        spare = len(b) - len(a)
        cost = np.where((ahead >= min(spare, 0) - reach) & (ahead <= max(spare, 0) + reach), cost, np.inf)
    return float(np.sqrt(warp(cost)[0]))
