"""Which readings of a trace can be measured by, and what was wrong with the others."""

from __future__ import annotations

import bisect
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from benchd.traces.samples import Samples

LARGEST = 1e6
"""A voltage in V or current in A at least as large is none. SCPI-99, volume 1, §7.2.1: 9.9E37 stands for infinity,
9.91E37 for not a number."""
GAP_INTERVALS = 5.0
"""So many times the usual interval without a reading is a gap (common practice, no source)."""


class Sound(NamedTuple):
    """How many readings there were, and how many of them cannot be used."""

    given: int = 0
    unreadable: int = 0
    """Not numbers, or an instrument's sign for an overflow."""
    out_of_order: int = 0
    """Not later than the one before; the fewest that had to go, so that the rest is in order."""

    @property
    def used(self) -> int:
        """Readings that are measured by."""
        return self.given - self.unreadable - self.out_of_order

    @property
    def lost_share(self) -> float:
        """Share of the readings that cannot be used, 0 to 1."""
        return 1 - self.used / self.given if self.given else 0.0


class Gaps(NamedTuple):
    """Times without readings, each longer than `GAP_INTERVALS` of the usual interval."""

    how_many: int = 0
    missing_s: float = 0.0
    """All of them together, each less one usual interval."""
    longest_s: float = 0.0


def usable(samples: Samples) -> tuple[Samples, Sound]:
    """The readings that are numbers, in the order of their times, no time twice."""
    given = len(samples)
    fine = (np.abs(samples.voltage_v) < LARGEST) & (np.abs(samples.current_a) < LARGEST)
    unreadable = given - int(np.count_nonzero(fine))
    kept = _only(samples, fine) if unreadable else samples
    out_of_order = 0
    if len(kept) > 1 and bool(np.any(np.diff(kept.t_ns) <= 0)):
        in_order = longest_rise(kept.t_ns)
        out_of_order = len(kept) - len(in_order)
        kept = _only(kept, in_order)
    return kept, Sound(given, unreadable, out_of_order)


def longest_rise(times: NDArray[np.int64]) -> NDArray[np.int64]:
    """Indices of a longest part of the times in which each is later than the one before: the fewest are left out,
    whichever way a clock jumped. Fredman, Discrete Mathematics 11 (1975): O(n log n)."""
    ends: list[int] = []
    at: list[int] = []
    before = np.full(len(times), -1, np.int64)
    for k, t in enumerate(times.tolist()):
        place = bisect.bisect_left(ends, t)
        if place:
            before[k] = at[place - 1]
        if place == len(ends):
            ends.append(t)
            at.append(k)
        else:
            ends[place], at[place] = t, k
    found = np.empty(len(at), np.int64)
    k = at[-1] if at else -1
    for place in range(len(at) - 1, -1, -1):
        found[place] = k
        k = int(before[k])
    return found


def find_gaps(t_s: NDArray[np.float64], interval_s: float) -> Gaps:
    """Where readings are missing. `interval_s`: the usual time between two."""
    steps = np.diff(t_s)
    long = steps[steps > GAP_INTERVALS * interval_s]
    if not len(long):
        return Gaps()
    return Gaps(len(long), float((long - interval_s).sum()), float(long.max()))


def _only(s: Samples, which: NDArray[np.bool_] | NDArray[np.int64]) -> Samples:
    return Samples(s.t_ns[which], s.voltage_v[which], s.current_a[which], s.mode[which], s.flags[which])
