"""Parts of a trace at the width of a screen: zoom to the reading, no spike lost."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable
from typing import NamedTuple, TypeVar

import numpy as np

from benchd.daemon.bench import Bench
from benchd.daemon.core import Core
from benchd.store.log import Log, TraceRow
from benchd.traces.between import Between, between
from benchd.traces.lining_up import line_up
from benchd.traces.measured import Measured, measure
from benchd.traces.samples import Samples
from benchd.traces.trace import Trace
from benchd.traces.window import Drawn, usual_ns, window, with_gaps
from benchd.web.port import Refused
from benchd.web.window_port import LinedUp, Window

T = TypeVar("T")

KEPT_READINGS = 2_000_000
"""So many readings stay in memory while somebody looks at them: 52 MB. Unpacking a million takes some 150 ms, thinning
them 15 ms: whoever zooms does not wait for the former each time. A longer trace is read from the log each time."""
KEPT_S = 30.0
"""For so long after somebody looked."""
AROUND_NS = 5_000_000_000
"""Where readings are looked up by time, the ones before and behind are looked for this far away; a longer pause is a
gap, across which no line is drawn."""


class _Kept(NamedTuple):
    trace: str
    samples: Samples
    usual_ns: float


class WindowDesk:
    """Implements `benchd.web.window_port.WindowPort`. Lives in the event loop."""

    def __init__(self, core: Core, bench: Bench) -> None:
        self._core = core
        self._bench = bench
        self._kept: _Kept | None = None
        self._forget: asyncio.TimerHandle | None = None
        # Each uses a core for a while and memory for a whole trace: one after the other.
        self._whole = asyncio.Lock()

    async def window(self, trace: str, from_s: float | None, to_s: float | None, columns: int) -> Window:
        """See `WindowPort.window`."""

        def cut(row: TraceRow, look: _Look) -> Window:
            from_ns = row.start_ns + round(from_s * 1e9) if from_s is not None else look.first_ns
            to_ns = row.start_ns + round(to_s * 1e9) if to_s is not None else look.last_ns + 1
            to_ns = max(to_ns, from_ns + 1)
            drawn = window(look.pieces(from_ns - AROUND_NS, to_ns + AROUND_NS), from_ns, to_ns, columns)
            return columns_of(row, drawn, look.usual_ns, from_ns, to_ns, columns)

        return await self._looking(trace, cut)

    async def between(self, trace: str, from_s: float, to_s: float) -> Between:
        """See `WindowPort.between`."""
        return await self._looking(
            trace,
            lambda row, look: between(
                look.pieces(look.first_ns, look.last_ns + 1), row.start_ns, row.conditions, from_s, to_s
            ),
        )

    async def measured(self, trace: str) -> Measured:
        """See `WindowPort.measured`."""
        async with self._whole:
            return await self._bench.read(lambda db: measure(_whole(db, trace)[1]))

    async def line_up(self, traces: list[str]) -> list[LinedUp]:
        """See `WindowPort.line_up`."""

        def work(db: Log) -> list[LinedUp]:
            found = [_whole(db, trace) for trace in traces]
            zeros = line_up([trace for _, trace in found])
            return [LinedUp(row, zero.s, zero.by) for (row, _), zero in zip(found, zeros, strict=True)]

        async with self._whole:
            return await self._bench.read(work)

    async def _looking(self, trace: str, ask: Callable[[TraceRow, _Look], T]) -> T:
        kept = self._kept if self._kept is not None and self._kept.trace == trace else None

        def work(db: Log) -> tuple[T, _Kept | None]:
            row = db.trace(trace)
            if row is None:
                raise _no_trace(trace)
            have = kept
            if have is None and row.readings <= KEPT_READINGS:
                samples = db.samples(row.supply, row.channel, row.start_ns, row.end_ns + 1)
                have = _Kept(trace, samples, usual_ns(samples))
            return ask(row, _Look(db, row, have)), have

        found, have = await self._bench.read(work)
        if have is not None:
            self._keep(have)
        return found

    def _keep(self, have: _Kept) -> None:
        self._kept = have
        if self._forget is not None:
            self._forget.cancel()
        self._forget = asyncio.get_running_loop().call_later(KEPT_S, self._let_go)

    def _let_go(self) -> None:
        self._kept = self._forget = None


class _Look:
    """The readings of one trace, from memory or piece by piece from the log."""

    def __init__(self, db: Log, row: TraceRow, kept: _Kept | None) -> None:
        self._db, self._row, self._kept = db, row, kept
        self.first_ns, self.last_ns = row.start_ns, row.end_ns
        self.usual_ns = 0.0
        if kept is not None and len(kept.samples):
            self.first_ns, self.last_ns = int(kept.samples.t_ns[0]), int(kept.samples.t_ns[-1])
            self.usual_ns = kept.usual_ns

    def pieces(self, from_ns: int, to_ns: int) -> Iterable[Samples]:
        """Those of the trace with from_ns <= t < to_ns at least, in time order."""
        row = self._row
        if self._kept is not None:
            return (self._kept.samples,)
        start, end = max(from_ns, row.start_ns), min(to_ns, row.end_ns + 1)
        return self._db.stream_samples(row.supply, row.channel, start, end)


def columns_of(row: TraceRow, drawn: Drawn, usual: float, from_ns: int, to_ns: int, columns: int) -> Window:
    """As the page gets it. `usual`: the usual time between two readings, ns; 0: that of what is drawn."""
    shown = with_gaps(drawn.samples, usual or usual_ns(drawn.samples), (to_ns - from_ns) / columns)
    return Window(
        row.start_ns,
        (from_ns - row.start_ns) / 1e9,
        (to_ns - row.start_ns) / 1e9,
        np.round((shown.t_ns - row.start_ns) / 1e9, 9).tolist(),
        np.round(shown.voltage_v, 6).tolist(),
        np.round(shown.current_a, 7).tolist(),
        drawn.readings,
        drawn.thinned,
    )


def _whole(db: Log, trace: str) -> tuple[TraceRow, Trace]:
    row, whole = db.trace(trace), db.whole_trace(trace)
    if row is None or whole is None:
        raise _no_trace(trace)
    return row, whole


def _no_trace(trace: str) -> Refused:
    return Refused("not-found", f"trace {trace!r} is not in the log")
