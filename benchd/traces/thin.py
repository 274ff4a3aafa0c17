"""Thinning for pictures: fewer readings, and not one extreme lost."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from benchd.traces.samples import Samples

PER_BUCKET = 6
"""First, last, and the smallest and largest of voltage and of current."""


def thin(samples: Samples, points: int) -> Samples:
    """At most `points` of the readings (points >= 6), in time order.

    The time span is cut into equal buckets, as a screen cuts it into pixel columns; of each bucket the first and the
    last reading stay, and those with the smallest and largest voltage and current: a line through them covers the
    same pixels as a line through all. Readings are never averaged or moved.
    """
    if points < PER_BUCKET:
        raise ValueError(f"points = {points}: allowed are {PER_BUCKET} or more")
    if len(samples) <= points:
        return samples
    return pick(samples, keep(samples.t_ns, (samples.voltage_v, samples.current_a), points // PER_BUCKET))


def pick(samples: Samples, index: NDArray[np.intp]) -> Samples:
    """The readings at these places."""
    return Samples(
        samples.t_ns[index],
        samples.voltage_v[index],
        samples.current_a[index],
        samples.mode[index],
        samples.flags[index],
    )


def keep(t_ns: NDArray[np.int64], columns: tuple[NDArray[np.float64], ...], buckets: int) -> NDArray[np.intp]:
    """Places of the readings that thinning into `buckets` equal spans of time leaves, ascending."""
    # Offsets first: ns since the epoch do not fit a float64 exactly.
    offset = t_ns - t_ns[0]
    return extremes(np.minimum(offset // (int(offset[-1]) // buckets + 1), buckets - 1), columns)


def extremes(bucket: NDArray[np.int64], columns: tuple[NDArray[np.float64], ...]) -> NDArray[np.intp]:
    """Places of the first and the last reading of each run of one bucket number, and of those with the smallest and the
    largest number in each column; ascending. At least one reading."""
    first = np.flatnonzero(np.concatenate(([True], bucket[1:] != bucket[:-1])))
    return in_runs(first, len(bucket), columns)


LONG_RUNS = 48
"""Of runs with more readings in the mean, each is looked at by itself: measured, that is then the faster way."""


def in_runs(first: NDArray[np.intp], count: int, columns: tuple[NDArray[np.float64], ...]) -> NDArray[np.intp]:
    """As `extremes`, of runs that begin at the places `first` (ascending, the first of them 0) of `count` readings."""
    last = np.append(first[1:], count) - 1
    if count > LONG_RUNS * len(first) and all(np.isfinite(column).all() for column in columns):
        return np.unique(np.concatenate([first, last, *_one_by_one(first, last, columns)]))
    kept = [first, last]
    of_row = np.repeat(np.arange(len(first)), last - first + 1)
    for column in columns:
        for extreme in (np.fmin.reduceat(column, first), np.fmax.reduceat(column, first)):
            places = np.flatnonzero(column == extreme[of_row])
            _, earliest = np.unique(of_row[places], return_index=True)
            kept.append(places[earliest])
    return np.unique(np.concatenate(kept))


def _one_by_one(
    first: NDArray[np.intp], last: NDArray[np.intp], columns: tuple[NDArray[np.float64], ...]
) -> list[NDArray[np.intp]]:
    """Only of numbers: argmin would take a NaN for the smallest."""
    runs = list(zip(first.tolist(), (last + 1).tolist(), strict=True))
    found = []
    for column in columns:
        found.append(np.array([a + int(column[a:b].argmin()) for a, b in runs], np.intp))
        found.append(np.array([a + int(column[a:b].argmax()) for a, b in runs], np.intp))
    return found
