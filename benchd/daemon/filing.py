"""Traces that have ended become rows of the log, read and with their finding."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable

import numpy as np

from benchd.daemon.memory import Memory, between
from benchd.daemon.watch import OpenTrace
from benchd.store.errors import LogError
from benchd.store.filing import summarise
from benchd.store.log import TraceRow
from benchd.store.writer import LogWriter
from benchd.traces.capture import TraceClosed
from benchd.traces.samples import Samples
from benchd.traces.signatures import read_trace
from benchd.traces.trace import Trace

log = logging.getLogger("benchd")

GRACE_S = 0.15
"""A trace is filed this long after its end: its last readings may still be on their way from the guard (20 ms)."""
FILED_WITHIN_S = 5.0


class Filing:
    """Files traces one by one, in the event loop; the reading of each is in another thread."""

    def __init__(
        self,
        writer: LogWriter,
        memory: Callable[[str, int], Memory],
        alarm: Callable[[str], None],
        filed: Callable[[TraceRow], None],
    ) -> None:
        self._writer = writer
        self._memory = memory
        self._alarm = alarm
        self._filed = filed
        self._under_way: set[asyncio.Task[None]] = set()

    def file(self, opened: OpenTrace, closed: TraceClosed) -> None:
        """A trace has ended."""
        task = asyncio.get_running_loop().create_task(self._file(opened, closed), name=f"file {opened.id}")
        self._under_way.add(task)
        task.add_done_callback(self._under_way.discard)

    async def all_filed(self, within_s: float = FILED_WITHIN_S) -> None:
        """Wait until every trace that has ended is filed, or for so long: the log may be down for days."""
        if self._under_way:
            await asyncio.wait(self._under_way, timeout=within_s)

    async def _file(self, opened: OpenTrace, closed: TraceClosed) -> None:
        await asyncio.sleep(GRACE_S)
        parts = self._memory(opened.supply, opened.channel).parts()
        row, fault = await asyncio.to_thread(trace_row, opened, closed, parts)
        if fault:
            self._alarm(fault)
        if row is None:
            return
        try:
            await asyncio.wrap_future(self._writer.submit(lambda db: db.add_trace(row)))
        except LogError as e:
            self._alarm(f"trace {row.id} could not be filed: {e}")
            return
        self._filed(row)


def trace_row(opened: OpenTrace, closed: TraceClosed, parts: tuple[Samples, ...]) -> tuple[TraceRow | None, str]:
    """A trace that has ended, read, as its row in the log; and what went wrong with it. None: without one reading
    there is nothing to file. For any thread."""
    samples = between(parts, closed.start_ns, closed.end_ns + 1)
    if not np.isfinite(samples.current_a).any():
        where, seconds = f"{opened.supply}/{opened.channel}", (closed.end_ns - closed.start_ns) / 1e9
        return None, f"{where}: no reading came in {seconds:.1f} s of a power-up; there is no trace of it"
    trace = Trace(samples, closed.start_ns, opened.conditions, tuple(closed.marks))
    finding, fault = None, ""
    try:
        finding = read_trace(trace)
    except Exception as e:  # what was caught is filed, whatever a rule makes of it
        log.exception("reading trace %s", opened.id)
        fault = f"trace {opened.id} is filed without a finding: reading it failed with {e!r}"
    row = summarise(trace, opened.id, opened.job, opened.supply, opened.channel, closed.end_ns, closed.reason, finding)
    return row, fault
