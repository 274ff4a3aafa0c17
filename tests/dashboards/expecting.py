"""What the dashboards have to show of the room, worked out from its plain figures."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from benchd.store.lines import RULE_CODES, SIGNATURE_CODES
from tests.dashboards.filling import ALL, Answer, Shown, Tags
from tests.dashboards.room import Point, Room

OUTPUT = ("supply", "channel")
WHOLE_OUTPUT = ("bench", *OUTPUT)
Expected = dict[Tags, dict[int, float]]
CODES = {"rule": RULE_CODES, "signature": SIGNATURE_CODES}


def chosen(tags: dict[str, str], shown: Shown) -> bool:
    """Whether what has these tags is asked about."""
    for name, value in shown.values.items():
        if value != ALL and tags.get(name) not in ([value] if isinstance(value, str) else value):
            return False
    return True


def by(tags: dict[str, str], names: Sequence[str]) -> Tags:
    """Those of the tags that are told apart."""
    return frozenset((name, tags[name]) for name in names if name in tags)


class Expecting:
    """For one language. InfluxDB's stretches begin at the time that is told for them (`GROUP BY time()`), those of
    VictoriaMetrics end there and leave their first moment out (MetricsQL, "rollup functions": a lookbehind window)."""

    def __init__(self, room: Room, shown: Shown, ending: bool) -> None:
        self.room, self.shown, self.ending = room, shown, ending

    def over_time(self, figure: str, how: Callable[[np.ndarray], float], names: Sequence[str]) -> Expected:
        """One figure of the readings for each stretch."""
        step = self.shown.interval_s * 1000
        pieces: dict[tuple[Tags, int], list[np.ndarray]] = {}
        for stretch in self.room.stretches:
            if not chosen(stretch.tags, self.shown) or ("trace" in names and "trace" not in stretch.tags):
                continue
            inside = (stretch.t_ms >= self.shown.from_ms - step * self.ending) & (stretch.t_ms <= self.shown.to_ms)
            t, values = stretch.t_ms[inside], getattr(stretch, figure)[inside]
            at = -(-t // step) * step if self.ending else t // step * step
            for time in np.unique(at):
                pieces.setdefault((by(stretch.tags, names), int(time)), []).append(values[at == time])
        found: Expected = {}
        for (tags, time), parts in pieces.items():
            if time >= self.shown.from_ms:
                found.setdefault(tags, {})[time] = how(np.concatenate(parts))
        return found

    def newest(self, figure: str, names: Sequence[str]) -> dict[Tags, float]:
        """The newest reading."""
        found: dict[Tags, tuple[int, float]] = {}
        for stretch in self.room.stretches:
            inside = (stretch.t_ms > self.shown.from_ms) & (stretch.t_ms <= self.shown.to_ms)
            if chosen(stretch.tags, self.shown) and inside.any():
                last = int(stretch.t_ms[inside][-1]), float(getattr(stretch, figure)[inside][-1])
                tags = by(stretch.tags, names)
                found[tags] = max(found.get(tags, last), last)
        return {tags: value for tags, (_, value) in found.items()}

    def trips(self) -> list[Point]:
        """Those that are asked about, the newest first."""
        return self._points(self.room.trips)

    def findings(self) -> list[Point]:
        """Those that are asked about, the newest first."""
        return self._points(self.room.findings)

    def _points(self, points: list[Point]) -> list[Point]:
        found = [p for p in points if chosen(p.tags, self.shown) and self.shown.from_ms < p.t_ms <= self.shown.to_ms]
        return sorted(found, key=lambda p: -p.t_ms)

    def of(
        self, points: list[Point], names: Sequence[str], field: str, how: Callable[[list[Any]], float]
    ) -> dict[Tags, float]:
        """A field of points, all of the time shown together."""
        found: dict[Tags, list[Any]] = {}
        for point in points:
            found.setdefault(by(point.tags, names), []).append(point.fields[field])
        return {tags: how(values) for tags, values in found.items()}

    def marks(self) -> Expected:
        """Trips over time, at their limit."""
        step = self.shown.interval_s * 1000
        found: Expected = {}
        for trip in self.trips():
            at = -(-trip.t_ms // step) * step if self.ending else trip.t_ms
            found.setdefault(by(trip.tags, OUTPUT), {})[at] = trip.fields["limit"]
        return found


def moment(answer: Answer) -> dict[Tags, float]:
    """Of series with one point each: the values."""
    assert all(len(points) == 1 for points in answer.series.values()), answer.series
    return {tags: next(iter(points.values())) for tags, points in answer.series.items()}


def coded(field: str, value: Any) -> float | None:
    """As VictoriaMetrics keeps it; None: it does not."""
    if field in CODES:
        return float(CODES[field].get(value, 0))
    return None if value is None or isinstance(value, str) else float(value)
