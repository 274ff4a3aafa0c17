"""A long course of current in bins that are long where nothing happens and short where something does.

Each bin knows how many readings it has, their least, mean and largest current. Neighbours that are alike are joined, so
that hours of sleep take as little room as a minute of work; no spike is ever lost, since the extremes stay.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable, Sequence

from benchd.procedures.record import Column, Curve

SHORTEST_S = 1.0
LONGEST_S = 60.0
"""A quiet bin holds a minute at most: a picture of two days has 2880 of them. Our choice."""
ALIKE_SHARE = 0.05
"""Means within this share of each other are alike ..."""
ALIKE_A = 2e-4
"""... or within this, A. Our choice: what a picture of sleep shows."""
COURSE = "course"
"""Name of the curve in which a long run keeps its course."""
MOST_BINS = 20_000
"""More are joined two by two: the course gets coarser, and keeps its extremes."""
BREAK_S = 5.0
"""Readings farther apart have a gap between them, over which nothing is joined, counted or drawn. Our choice: no supply
that is on is read less often."""
MOST_GAPS = 500
"""Of more the longest stand in a curve. Our choice: a picture shows no more."""


@dataclasses.dataclass(slots=True)
class Bin:
    """Readings from `t0_ns` to `t1_ns`, A."""

    t0_ns: int
    t1_ns: int
    n: int
    mean_a: float
    low_a: float
    high_a: float

    @property
    def seconds(self) -> float:
        """How long it is, s."""
        return (self.t1_ns - self.t0_ns) / 1e9

    def joined(self, other: Bin) -> Bin:
        """With its later neighbour."""
        n = self.n + other.n
        mean_a = (self.mean_a * self.n + other.mean_a * other.n) / n
        return Bin(self.t0_ns, other.t1_ns, n, mean_a, min(self.low_a, other.low_a), max(self.high_a, other.high_a))

    def alike(self, other: Bin) -> bool:
        """Whether nothing is lost to the eye when the two are one: means alike, and extremes as close."""
        near = max(ALIKE_A, ALIKE_SHARE * abs(self.mean_a))
        return (
            abs(self.mean_a - other.mean_a) <= near
            and abs(self.high_a - other.high_a) <= 2 * near
            and abs(self.low_a - other.low_a) <= 2 * near
        )


class Bins:
    """The course so far."""

    def __init__(self, bins: Iterable[Bin] = (), gaps: Iterable[tuple[int, int]] = ()) -> None:
        self._done: list[Bin] = list(bins)
        self._open: Bin | None = None
        self.gaps: list[tuple[int, int]] = list(gaps)
        """Stretches without readings, ns since the epoch, in order."""
        self._broken = True
        """The next bin begins after a gap, so it is never joined with the one before."""
        self._last_ns: int | None = None

    def add(self, t_ns: int, amps: float) -> None:
        """One reading, later than those before; no number is left out."""
        if not math.isfinite(amps):
            return
        if self._last_ns is not None and t_ns - self._last_ns > BREAK_S * 1e9:
            self.gap(self._last_ns, t_ns)
        elif self._last_ns is None and self.gaps:
            self.gaps[-1] = (self.gaps[-1][0], max(self.gaps[-1][1], t_ns))
        self._last_ns = t_ns
        if self._open is None:
            self._open = Bin(t_ns, t_ns, 1, amps, amps, amps)
            return
        self._open = self._open.joined(Bin(t_ns, t_ns, 1, amps, amps, amps))
        if self._open.seconds >= SHORTEST_S:
            self._close()

    def gap(self, from_ns: int, to_ns: int) -> None:
        """Nothing was read in between, and until the next reading: what comes is another part."""
        if self._open is not None:
            self._close()
        self._broken = True
        self._last_ns = None
        self.gaps.append((from_ns, to_ns))

    def all(self) -> list[Bin]:
        """The course, in order."""
        return [*self._done, self._open] if self._open is not None else list(self._done)

    def _close(self) -> None:
        done, self._open = self._open, None
        assert done is not None
        last = self._done[-1] if self._done and not self._broken else None
        self._broken = False
        if last is not None and last.alike(done) and last.seconds + done.seconds <= LONGEST_S:
            self._done[-1] = last.joined(done)
            return
        self._done.append(done)
        if len(self._done) > MOST_BINS:
            self._done = halved(self._done)


def halved(bins: Sequence[Bin]) -> list[Bin]:
    """Neighbours joined two by two, where no gap lies between them."""
    joined: list[Bin] = []
    n = 0
    while n < len(bins):
        pair = bins[n : n + 2]
        together = len(pair) == 2 and pair[1].t0_ns - pair[0].t1_ns <= BREAK_S * 1e9
        joined.append(pair[0].joined(pair[1]) if together else pair[0])
        n += 1 + together
    if len(joined) <= 0.9 * len(bins):
        return joined
    # Hardly anything but gaps: it has to become less all the same, and the gaps are told beside the bins.
    return [bins[n] if n + 1 == len(bins) else bins[n].joined(bins[n + 1]) for n in range(0, len(bins), 2)]


def course_of(
    bins: Sequence[Bin],
    gaps: Iterable[tuple[int, int]] = (),
    name: str = COURSE,
    title: str = "Course of the current",
) -> Curve:
    """Bins as the curve that a run keeps. At least one."""
    start_ns = bins[0].t0_ns
    times = tuple((each.t0_ns + each.t1_ns - 2 * start_ns) / 2e9 for each in bins)
    columns = (
        Column("t_s", "Time", "s", times),
        Column("mean_a", "Mean", "A", tuple(each.mean_a for each in bins)),
        Column("low_a", "Least", "A", tuple(each.low_a for each in bins)),
        Column("high_a", "Largest", "A", tuple(each.high_a for each in bins)),
    )
    longest = sorted(gaps, key=lambda gap: gap[0] - gap[1])[:MOST_GAPS]
    told = tuple(((begin - start_ns) / 1e9, (end - start_ns) / 1e9) for begin, end in sorted(longest))
    return Curve(name, title, columns, start_ns, weights=tuple(each.n for each in bins), gaps=told)


def is_course(curve: Curve) -> bool:
    """Whether a curve is a course: mean, least and largest over time."""
    return [column.name for column in curve.columns] == ["t_s", "mean_a", "low_a", "high_a"]
