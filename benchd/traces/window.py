"""A part of a trace at the width of a screen: of each column of pixels what a line through all readings would cover."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from benchd.traces.samples import Samples
from benchd.traces.thin import PER_BUCKET, in_runs, pick

GAP_INTERVALS = 8.0
"""No reading for so many usual intervals is a gap, and no line is drawn across it."""
LEAST_GAP_NS = 500_000_000
"""A shorter pause is no gap: machines are busy at times."""

MOST_LOOKED_AT = 50_000
"""Enough for a median, and a hundredth of the time that a million take."""


class Drawn(NamedTuple):
    """What is drawn of a part."""

    samples: Samples
    readings: int
    """So many there are in it."""
    thinned: bool
    """Not all of them are in `samples`."""


def edges(from_ns: int, to_ns: int, columns: int) -> NDArray[np.int64]:
    """The bounds of `columns` equal columns over from_ns <= t < to_ns, as a screen cuts that time: columns + 1 of them,
    rounded down to whole ns."""
    width = (to_ns - from_ns) / columns
    found: NDArray[np.int64] = from_ns + np.floor(np.arange(columns + 1) * width).astype(np.int64)
    found[-1] = to_ns
    return found


def window(pieces: Iterable[Samples], from_ns: int, to_ns: int, columns: int) -> Drawn:
    """What is drawn of the readings with from_ns <= t < to_ns.

    `pieces`: readings in time order, of which no two need to be in memory at once; they may reach beyond. Where there
    are more than 6 a column, of each column the first and the last stay, and those with the smallest and largest
    voltage and current; else all. The reading before and the one behind stay too, so that a line goes on to the edges.
    No reading is averaged or moved. Raises ValueError for columns < 1 or to_ns <= from_ns.
    """
    if columns < 1 or not to_ns > from_ns:
        raise ValueError(f"{columns} columns from {from_ns} ns to {to_ns} ns: one at least, and an end after the start")
    bounds = edges(from_ns, to_ns, columns)
    kept: list[Samples] = []
    before, behind, count = Samples.empty(), Samples.empty(), 0
    for piece in pieces:
        first, last = (int(n) for n in piece.t_ns.searchsorted([from_ns, to_ns]))
        before = piece[first - 1 : first] if first else before
        behind = behind if len(behind) else piece[last : last + 1]
        count += last - first
        kept.append(_thinned(piece[first:last], bounds))
        if len(behind):
            break
    inside = Samples.concat(kept)
    # A column that lies in two pieces has two smallest and two largest.
    inside = _thinned(inside, bounds) if len(kept) > 1 else inside
    return Drawn(Samples.concat([before, inside, behind]), count, len(inside) < count)


def _thinned(part: Samples, bounds: NDArray[np.int64]) -> Samples:
    if len(part) <= PER_BUCKET * (len(bounds) - 1):
        return part
    starts = np.unique(part.t_ns.searchsorted(bounds[:-1]))
    return pick(part, in_runs(starts[starts < len(part)], len(part), (part.voltage_v, part.current_a)))


def usual_ns(samples: Samples) -> float:
    """The usual time between two readings: the median, ns; 0 with fewer than two. Of very many, some all over the trace
    are looked at."""
    if len(samples) < 2:
        return 0.0
    places = np.unique(np.linspace(0, len(samples) - 2, min(len(samples) - 1, MOST_LOOKED_AT)).astype(np.intp))
    return float(np.median(samples.t_ns[places + 1] - samples.t_ns[places]))


def with_gaps(drawn: Samples, usual: float, column_ns: float) -> Samples:
    """The same with a reading that is none (NaN) in the middle of each gap; `usual`: the usual time between two
    readings, ns; `column_ns`: of a column of pixels. Two that are further apart than a column followed each other
    before thinning, too."""
    longest = max(GAP_INTERVALS * usual, LEAST_GAP_NS, column_ns)
    after = np.flatnonzero(np.diff(drawn.t_ns) > longest) + 1
    if not len(after):
        return drawn
    middles = drawn.t_ns[after - 1] + (drawn.t_ns[after] - drawn.t_ns[after - 1]) // 2
    return Samples(
        np.insert(drawn.t_ns, after, middles),
        np.insert(drawn.voltage_v, after, np.nan),
        np.insert(drawn.current_a, after, np.nan),
        np.insert(drawn.mode, after, 0),
        np.insert(drawn.flags, after, 0),
    )
