"""The time-series follower: readings, trips, findings and results to a server with the InfluxDB v2 (or v1) write API.

Two cursors, `influxdb readings` over the blocks and `influxdb events` over the journal, so that a long backlog of
readings does not hold up the events. Each request is one without the client's own retries: what is to be tried again
is decided here (see `influx_sink.Verdict`) and by the follower's cursor.

A server that keeps milliseconds (VictoriaMetrics does) merges two readings of one channel in one millisecond.
"""

from __future__ import annotations

import asyncio
import dataclasses
import itertools
from bisect import bisect_right
from collections.abc import Awaitable, Callable, Sequence
from pathlib import Path
from typing import Any

from benchd.jobs.job import JournalEntry
from benchd.store.follower import Follower, Gather, Stream, Writer
from benchd.store.follower_rows import Rejected
from benchd.store.influx_post import Target
from benchd.store.influx_sink import BATCH_LINES, LineSink, Refused
from benchd.store.lines import EVENT_KINDS, event_lines, reading_lines
from benchd.store.log import Log
from benchd.store.settling import SETTLE_S, ServerRun, Settling

BATCH_AGE_S = 1.0
_ROWS = 64
READ_BATCHES = 8
"""Requests that one reading of the log is good for."""
STREAMS = ("influxdb readings", "influxdb events")


@dataclasses.dataclass(frozen=True, slots=True)
class Row:
    """A row of readings as lines."""

    seq: int
    lines: list[str]
    damage: str


class InfluxFollower:
    """Runs both streams to one server. `run` until cancelled; `health` at any time."""

    def __init__(
        self,
        path: Path | str,
        writer: Writer,
        *,
        bench: str,
        target: Target,
        batch_lines: int = BATCH_LINES,
        batch_age_s: float = BATCH_AGE_S,
        settle_s: float = SETTLE_S,
        sleep: Callable[[float], Awaitable[object]] = asyncio.sleep,
    ) -> None:
        self._bench, self._most_readings = bench, READ_BATCHES * batch_lines
        self._sink = LineSink(target, batch_lines)
        server = ServerRun(self._started)
        gather = Gather(lambda log, seq: log.followers.readings_after(seq, _ROWS) >= batch_lines, batch_age_s)
        readings = Stream(
            self._rows_after, lambda log: log.followers.head("blocks"),
            oldest=lambda log, seq: log.followers.oldest("blocks", seq), gather=gather,
        )  # fmt: skip
        events = Stream(
            _events_after, lambda log: log.followers.head("journal", EVENT_KINDS),
            oldest=lambda log, seq: log.followers.oldest("journal", seq, EVENT_KINDS),
        )  # fmt: skip
        self._readings: Follower[Row] = Follower(
            STREAMS[0], path, writer, readings, self._send_readings, sleep=sleep,
            settling=Settling(server, settle_s),
        )  # fmt: skip
        self._events: Follower[JournalEntry] = Follower(
            STREAMS[1], path, writer, events, self._send_events, sleep=sleep,
            settling=Settling(server, settle_s),
        )  # fmt: skip

    async def run(self) -> None:
        """Follow the log until cancelled."""
        await asyncio.to_thread(self._sink.open)
        try:
            async with asyncio.TaskGroup() as group:
                group.create_task(self._readings.run(), name=self._readings.name)
                group.create_task(self._events.run(), name=self._events.name)
        finally:
            self._sink.close()

    def health(self) -> dict[str, Any]:
        """The worse of both streams: state (ok, waiting, stopped), text, backlog (rows of the log), lag_s, rejected,
        last_ok_ns; and each of them under its name in `streams`."""
        each = {follower.name: follower.health() for follower in (self._readings, self._events)}
        return worse(*each.values()) | {"streams": each}

    async def _started(self) -> float | None:
        return await asyncio.to_thread(self._sink.started)

    def _rows_after(self, log: Log, seq: int) -> list[Row]:
        rows = log.blocks_after(seq, _ROWS, self._most_readings)
        return [Row(block.seq, reading_lines(block, self._bench), block.damage) for block in rows]

    async def _send_readings(self, batch: Sequence[Row]) -> list[Rejected]:
        return await asyncio.to_thread(self._write_readings, batch)

    def _write_readings(self, batch: Sequence[Row]) -> list[Rejected]:
        lines = list(itertools.chain.from_iterable(row.lines for row in batch))
        ends = list(itertools.accumulate(len(row.lines) for row in batch))
        rejected = [Rejected(row.seq, row.damage, f"row {row.seq} of the log") for row in batch if row.damage]

        def done(n: int, refused: list[Refused]) -> None:
            rejected.extend(Rejected(batch[bisect_right(ends, i)].seq, reason, lines[i]) for i, reason in refused)
            whole = bisect_right(ends, n)
            if whole:
                seq = batch[whole - 1].seq
                self._readings.accepted(seq, [r for r in rejected if r.seq <= seq])
                rejected[:] = [r for r in rejected if r.seq > seq]

        self._sink.write(lines, done)
        return rejected

    async def _send_events(self, batch: Sequence[JournalEntry]) -> list[Rejected]:
        made = [(entry.seq, line) for entry in batch for line in event_lines(entry, self._bench)]
        if not made:  # runs that ended without a figure
            return []
        refused = await asyncio.to_thread(self._sink.write, [line for _, line in made])
        return [Rejected(made[i][0], reason, made[i][1]) for i, reason in refused]


def _events_after(log: Log, seq: int) -> list[JournalEntry]:
    return log.entries_after(seq, 500, EVENT_KINDS)


def worse(a: dict[str, Any], b: dict[str, Any]) -> dict[str, Any]:
    """One health of two streams to the same server."""
    order = ("ok", "waiting", "stopped")
    first = max(a, b, key=lambda h: (order.index(h["state"]), bool(h["text"])))
    return {
        "state": first["state"],
        "text": first["text"],
        "backlog": a["backlog"] + b["backlog"],
        "lag_s": max((h["lag_s"] for h in (a, b) if h["lag_s"] is not None), default=None),
        "rejected": a["rejected"] + b["rejected"],
        "last_ok_ns": max((h["last_ok_ns"] for h in (a, b) if h["last_ok_ns"]), default=None),
    }
