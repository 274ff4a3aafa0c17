"""Views into the traces of a `FakeBench`, by the real formulas."""

from __future__ import annotations

from benchd.daemon.window_desk import columns_of
from benchd.store.log import TraceRow
from benchd.traces.between import Between, between
from benchd.traces.lining_up import line_up
from benchd.traces.measured import Measured, measure
from benchd.traces.samples import Samples
from benchd.traces.trace import Trace
from benchd.traces.window import usual_ns, window
from benchd.web.port import Refused
from benchd.web.window_port import LinedUp, Window
from tests.web.fake import FakeBench


class FakeWindows:
    """Implements `WindowPort`; remembers what was asked."""

    def __init__(self, bench: FakeBench) -> None:
        self._bench = bench
        self.asked: list[tuple[str, float | None, float | None, int]] = []

    async def window(self, trace: str, from_s: float | None, to_s: float | None, columns: int) -> Window:
        """See `WindowPort`."""
        row, samples = self._found(trace)
        self.asked.append((trace, from_s, to_s, columns))
        ends = (int(samples.t_ns[0]), int(samples.t_ns[-1]) + 1) if len(samples) else (row.start_ns, row.end_ns + 1)
        low, high = (
            end if s is None else row.start_ns + round(s * 1e9) for s, end in zip((from_s, to_s), ends, strict=True)
        )
        drawn = window([samples], low, max(high, low + 1), columns)
        return columns_of(row, drawn, usual_ns(samples), low, high, columns)

    async def between(self, trace: str, from_s: float, to_s: float) -> Between:
        """See `WindowPort`."""
        row, samples = self._found(trace)
        return between([samples], row.start_ns, row.conditions, from_s, to_s)

    async def measured(self, trace: str) -> Measured:
        """See `WindowPort`."""
        return measure(self._whole(trace))

    async def line_up(self, traces: list[str]) -> list[LinedUp]:
        """See `WindowPort`."""
        zeros = line_up([self._whole(trace) for trace in traces])
        return [LinedUp(self._found(trace)[0], zero.s, zero.by) for trace, zero in zip(traces, zeros, strict=True)]

    def _found(self, trace: str) -> tuple[TraceRow, Samples]:
        if trace not in self._bench.filed:
            raise Refused("not-found", f"trace {trace!r} is not in the log")
        return self._bench.filed[trace]

    def _whole(self, trace: str) -> Trace:
        row, samples = self._found(trace)
        return Trace(samples, row.start_ns, row.conditions, tuple(row.marks))
