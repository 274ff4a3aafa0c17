"""How the readings of one output come in, as the guard reports it: the newest figures, and the worst of a minute."""

from __future__ import annotations

from collections import deque
from typing import Any, NamedTuple

from benchd.daemon.promise import Pace
from benchd.guard.wire import Health

MINUTE_NS = 60_000_000_000
LATE_MS = 50.0
"""This computer holds the guard up: a reading that comes later than that for no reason of the supply's. Our choice; on
a quiet machine it is under a millisecond."""
GAP_INTERVALS = 5.0
"""Readings that lie further apart than so many mean intervals have a gap between them. Our choice."""


class _Second(NamedTuple):
    t_ns: int
    worst_ms: float


class HealthBook:
    """The reports of one output."""

    def __init__(self) -> None:
        self.newest: Health | None = None
        self._minute: deque[_Second] = deque()
        self._told: set[str] = set()
        self.gaps = 0
        """Reports with a gap in them, since the daemon was started."""

    def take(self, health: Health, since_ns: int, stale_s: float | None) -> list[str]:
        """Take a report; what the operator must know of it, each thing once a power-on.

        `since_ns`: since when the output is as it is. A report that reaches back before that has the time of writing
        settings in it, in which nothing is read. `stale_s`: the rule's, s; None: it is off, where nothing is urgent.
        """
        self.newest = health
        if not health.readings or health.t_ns - self._reach_ns(health) < since_ns:
            return []
        self._minute.append(_Second(health.t_ns, health.worst_ms))
        self.gaps += health.worst_ms > GAP_INTERVALS * health.interval_ms
        while self._minute[0].t_ns <= health.t_ns - MINUTE_NS:
            self._minute.popleft()
        if stale_s is None:
            return []
        where = f"{health.supply}/{health.channel}"
        found = {}
        if health.overrun_ms > LATE_MS:
            found["late"] = (
                f"{where}: a reading came {health.overrun_ms:.0f} ms late because this computer was busy; protection "
                "is that much slower: end what else runs on it"
            )
        if health.worst_ms > stale_s * 500:
            found["gap"] = (
                f"{where}: {health.worst_ms:.0f} ms passed from one reading to the next; one that is missed "
                f"after {stale_s * 1e3:.0f} ms switches the output off: look at the link, or read fewer outputs of "
                "this supply"
            )
        new = [text for kind, text in found.items() if kind not in self._told]
        self._told |= found.keys()
        return new

    def power_on(self) -> None:
        """A new power-on: what was told before may be told again."""
        self._told.clear()

    def pace(self) -> Pace | None:
        """As measured, the output on or off, since both are read alike; None: nothing has been yet."""
        if self.newest is None or not self._minute or self.newest.interval_ms <= 0:
            return None
        worst_ms = max(second.worst_ms for second in self._minute)
        n = self.newest
        longest_s = max(worst_ms, n.interval_ms) / 1e3
        return Pace(n.interval_ms / 1e3, longest_s, n.round_trip_ms / 1e3, held_up=n.overrun_ms > LATE_MS)

    def told(self) -> dict[str, Any] | None:
        """As `ChannelView.health`; None before the first report."""
        n = self.newest
        if n is None:
            return None
        worst_ms = max((second.worst_ms for second in self._minute), default=None)
        return {
            "interval_ms": n.interval_ms,
            "jitter_ms": n.jitter_ms,
            "worst_ms": n.worst_ms,
            "round_trip_ms": n.round_trip_ms,
            "overrun_ms": n.overrun_ms,
            "worst_minute_ms": worst_ms,
        }

    @staticmethod
    def _reach_ns(health: Health) -> int:
        return round(health.readings * health.interval_ms * 1e6)
