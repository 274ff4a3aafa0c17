"""A room with two benches that have worked for two minutes: kept in logs as daemons keep it, and sent as their lines.

What is expected of the dashboards is worked out from the plain figures here, which never went through a log.
"""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import numpy as np

from benchd.guard.wire import Tripped
from benchd.reading import Flag, Mode, Reading, pack
from benchd.store.lines import EVENT_KINDS, event_lines, reading_lines
from benchd.store.log import Log, TraceRow
from benchd.traces.trace import Conditions, Finding
from tests.store.making import columns_block

S, MS = 1_000_000_000, 1_000_000
FROM_MS = 1_767_323_040_000
"""2026-01-02T03:04:00Z: a multiple of every stretch that is asked for."""
TO_MS = FROM_MS + 120_000
EVERY_MS = 50


@dataclasses.dataclass(frozen=True)
class Stretch:
    """Readings of one output that belong to one trace and job, or to none."""

    tags: dict[str, str]
    t_ms: np.ndarray
    voltage: np.ndarray
    current: np.ndarray

    @property
    def power(self) -> np.ndarray:
        """W, to the nW."""
        return np.round(self.voltage * self.current, 9)


@dataclasses.dataclass(frozen=True)
class Point:
    """A trip or a finding: its tags, its time, and what its table has to show."""

    tags: dict[str, str]
    t_ms: int
    fields: dict[str, Any]


PLAN: tuple[tuple[str, int, int, int, str | None, str | None], ...] = (
    # bench, channel, from s, to s, job, signature of the trace (None: readings outside of any)
    ("north", 1, 0, 10, None, None),
    ("north", 1, 10, 40, "R-1", "clean-boot"),
    ("north", 1, 40, 55, None, None),
    ("north", 1, 55, 75, "R.2", "low-stall"),
    ("north", 1, 75, 100, None, None),
    ("north", 1, 100, 110, "R.2", None),
    ("north", 2, 22, 31, "R.2", "dead-short"),
    # The other bench has a supply of the same name, and a job that only a careless pattern takes for R.2.
    ("south", 1, 5, 48, "Rx2", "mine-own-card"),
)
TRIPS = (
    # bench, channel, at s, job, rule, off read back after ms (None: never), limit A
    ("north", 2, 30.9, "R.2", "short", 12, 2.0),
    ("south", 1, 47.9, "Rx2", "over-current", None, 3.0),
)


class Room:
    """`lines`: what both benches' followers would send."""

    def __init__(self, folder: Path) -> None:
        self.stretches: list[Stretch] = []
        self.findings: list[Point] = []
        self.trips: list[Point] = []
        self.lines: list[str] = []
        for bench in ("north", "south"):
            with Log.open(folder / f"{bench}.sqlite") as log:
                with log.transaction():
                    self._work(log, bench)
                self.lines += [line for b in log.blocks_after(0, 10_000, 1 << 30) for line in reading_lines(b, bench)]
                self.lines += [x for e in log.entries_after(0, 10_000, EVENT_KINDS) for x in event_lines(e, bench)]

    def _work(self, log: Log, bench: str) -> None:
        for number, (of, channel, start_s, end_s, job, signature) in enumerate(PLAN):
            if of != bench:
                continue
            tags = {"bench": bench, "supply": "psu-a", "channel": str(channel)}
            trace = f"2026-{number}-psu-a-{channel}" if signature else None
            tags |= ({"job": job} if job else {}) | ({"trace": trace} if trace else {})
            stretch = _readings(number, tags, start_s, end_s)
            self.stretches.append(stretch)
            block = columns_block(stretch.t_ms * MS, stretch.voltage, stretch.current, "psu-a", channel)
            log.add_block(block, job, trace)
            if trace and signature:
                self._file(log, stretch, signature, number)
        for of, channel, at_s, job, rule, after_ms, limit_a in TRIPS:
            if of == bench:
                self._trip(log, bench, channel, at_s, job, rule, after_ms, limit_a)

    def _file(self, log: Log, stretch: Stretch, signature: str, number: int) -> None:
        start_ms, end_ms = int(stretch.t_ms[0]), int(stretch.t_ms[-1])
        fields: dict[str, Any] = {
            "signature": signature,
            "confidence": 0.5 + number / 20,
            "peak": float(stretch.current.max()),
            "duration_s": (end_ms - start_ms) / 1e3,
            "charge": float(np.trapezoid(stretch.current, stretch.t_ms / 1e3)),
            "energy": float(np.trapezoid(stretch.power, stretch.t_ms / 1e3)),
            "reason": "removed",
        }
        row = TraceRow(
            id=stretch.tags["trace"], job=stretch.tags["job"], supply="psu-a", channel=int(stretch.tags["channel"]),
            start_ns=start_ms * MS, end_ns=end_ms * MS, conditions=Conditions(), marks=[], reason="removed",
            finding=Finding(signature, fields["confidence"], ()), readings=len(stretch.t_ms), peak_a=fields["peak"],
            charge_c=fields["charge"], energy_j=fields["energy"],
        )  # fmt: skip
        log.add_trace(row)
        self.findings.append(Point(stretch.tags, start_ms, fields))

    def _trip(
        self, log: Log, bench: str, channel: int, at_s: float, job: str, rule: str, after_ms: int | None, limit_a: float
    ) -> None:
        t_ms = FROM_MS + round(at_s * 1000)
        onset_ns = t_ms * MS - 15 * MS
        trace = next(
            f.tags["trace"] for f in self.findings if f.tags["channel"] == str(channel) and f.tags["job"] == job
        )
        before = pack("psu-a", channel, [Reading(t_ms * MS, 0.2, limit_a, Mode.CC, Flag.NONE, 900)])
        trip = Tripped(
            supply="psu-a", channel=channel, rule=rule, text="0.2 V at the limit", onset_ns=onset_ns,
            detected_ns=t_ms * MS, off_sent_ns=t_ms * MS + 40_000,
            off_confirmed_ns=None if after_ms is None else onset_ns + after_ms * MS, set_voltage_v=4.0, limit_a=limit_a,
            let_through_c=0.02, let_through_j=0.004 * limit_a, let_through_a2s=0.02 * limit_a, before=before,
            after=pack("psu-a", channel, []), stage="boot",
        )  # fmt: skip
        log.add_trip(trip, job, trace)
        fields = {
            "rule": rule, "stage": "boot", "limit": limit_a, "set_voltage": 4.0, "let_through_j": 0.004 * limit_a,
            "let_through_a2s": 0.02 * limit_a, "off_confirmed_s": None if after_ms is None else after_ms / 1e3,
            "off_confirmed": after_ms is not None,
        }  # fmt: skip
        tags = {"bench": bench, "supply": "psu-a", "channel": str(channel), "job": job, "trace": trace}
        self.trips.append(Point(tags, t_ms, fields))


def _readings(seed: int, tags: dict[str, str], start_s: int, end_s: int) -> Stretch:
    """Current that wanders, on the instrument's grid of 0.1 mA; voltage that falls with it, on a grid of 1 mV."""
    rng = np.random.default_rng(seed)
    t_ms = FROM_MS + np.arange(start_s * 1000, end_s * 1000, EVERY_MS)
    level = 0.3 if "trace" in tags else 0.0
    current = np.round(level + 0.2 * np.abs(np.cumsum(rng.normal(0, 0.05, len(t_ms)))), 4)
    return Stretch(tags, t_ms, np.round(4.0 - 0.15 * current, 3), current)
