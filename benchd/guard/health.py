"""How the readings of one output come in: figures once a second. Constant time and memory per reading."""

from __future__ import annotations

import math

from benchd.guard.let_through import NS
from benchd.guard.wire import Health
from benchd.reading import Reading

REPORT_EVERY_NS = NS


class Meter:
    """Counts and sums between two reports."""

    __slots__ = ("_began_ns", "_last_ns", "_mean_ns", "_n", "_overrun_s", "_square", "_trips_ns", "_worst_ns")

    def __init__(self) -> None:
        self._last_ns = 0
        self._began_ns = 0
        self._begin(0)

    def _begin(self, t_ns: int) -> None:
        self._began_ns = t_ns
        self._n = 0
        self._mean_ns = self._square = 0.0
        self._worst_ns = self._trips_ns = 0
        self._overrun_s = 0.0

    def late(self, overrun_s: float) -> None:
        """A round began so much later than it was due."""
        self._overrun_s = max(self._overrun_s, overrun_s)

    def skip(self) -> None:
        """It was not read for a while, since nothing was on: the gap says nothing about how readings come in."""
        self._last_ns = 0

    def add(self, reading: Reading) -> bool:
        """Take a reading; True when a report is due."""
        last_ns, t_ns = self._last_ns, reading.t_ns
        self._last_ns = t_ns
        if not last_ns:
            self._began_ns = self._began_ns or t_ns
            return False
        self._n += 1
        gap_ns = t_ns - last_ns
        off = gap_ns - self._mean_ns  # Welford, Technometrics 4 (1962) 419
        self._mean_ns += off / self._n
        self._square += off * (gap_ns - self._mean_ns)
        self._worst_ns = max(self._worst_ns, gap_ns)
        self._trips_ns += 2 * reading.half_trip_ns
        return t_ns - self._began_ns >= REPORT_EVERY_NS

    def report(self, supply: str, channel: int) -> Health:
        """The figures since the report before, and begin anew."""
        n, t_ns = max(self._n, 1), self._last_ns
        found = Health(
            supply,
            channel,
            t_ns,
            self._n,
            self._mean_ns / 1e6,
            math.sqrt(self._square / max(self._n - 1, 1)) / 1e6,
            self._worst_ns / 1e6,
            self._trips_ns / n / 1e6,
            self._overrun_s * 1e3,
        )
        self._begin(t_ns)
        return found
