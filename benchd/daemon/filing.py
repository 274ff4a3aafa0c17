"""Traces that have ended become rows of the log, read and with their finding."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import msgspec
import numpy as np

from benchd.daemon.memory import Memory, between
from benchd.daemon.watch import OpenTrace
from benchd.store.descriptor_rows import keep_row
from benchd.store.errors import LogError
from benchd.store.filing import summarise
from benchd.store.log import Log, TraceRow
from benchd.store.reference_rows import Bands, band_for
from benchd.store.writer import LogWriter
from benchd.traces.band import Band
from benchd.traces.capture import TraceClosed
from benchd.traces.cards import Shelf, shipped_shelf
from benchd.traces.nearest import Row, describe
from benchd.traces.samples import Samples
from benchd.traces.signatures import read_trace
from benchd.traces.trace import Trace

log = logging.getLogger("benchd")

GRACE_S = 0.15
"""A trace is filed this long after its end: its last readings may still be on their way from the guard (20 ms)."""
FILED_WITHIN_S = 5.0


class ReadTrace(NamedTuple):
    """A trace that has ended, read."""

    row: TraceRow | None
    """None: without one reading there is nothing to file."""
    described: Row | None = None
    """What it is found by among past traces."""
    fault: str = ""
    """What went wrong, for the operator."""


class Filing:
    """Files traces one by one, in the event loop; the reading of each is in another thread."""

    def __init__(
        self,
        writer: LogWriter,
        memory: Callable[[str, int], Memory],
        alarm: Callable[[str], None],
        filed: Callable[[TraceRow], None],
        cards: Callable[[], Shelf],
    ) -> None:
        self._writer = writer
        self._memory = memory
        self._alarm = alarm
        self._filed = filed
        self._cards = cards
        self._bands = Bands()
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
        row, described, fault = await asyncio.to_thread(read_ended, opened, closed, parts, self._band, self._cards)
        if fault:
            self._alarm(fault)
        if row is None:
            return

        def keep(db: Log) -> None:
            db.add_trace(row)
            with db.transaction() as connection:
                keep_row(connection, row.id, described)

        try:
            await asyncio.wrap_future(self._writer.submit(keep))
        except LogError as e:
            self._alarm(f"trace {row.id} could not be filed: {e}")
            return
        self._filed(row)

    def _band(self, row: TraceRow) -> Band | None:
        return band_while_filing(self._writer.path, self._bands, row)


def band_while_filing(path: Path, bands: Bands, row: TraceRow) -> Band | None:
    """The band of a trace's board; None when there is none, or the log cannot be read now. For any thread."""
    try:
        with Log.open(path, read_only=True) as db:
            return band_for(db, row, bands)
    except Exception as e:  # what was caught is read and filed, with references or without
        log.warning("trace %s is read without references: %s", row.id, e)
        return None


def read_ended(
    opened: OpenTrace,
    closed: TraceClosed,
    parts: tuple[Samples, ...],
    band: Callable[[TraceRow], Band | None] = lambda row: None,
    cards: Callable[[], Shelf] = shipped_shelf,
) -> ReadTrace:
    """Read a trace that has ended. `band`: of its board's references; `cards`: those of the bench. For any thread."""
    samples = between(parts, closed.start_ns, closed.end_ns + 1)
    if not np.isfinite(samples.current_a).any():
        where, seconds = f"{opened.supply}/{opened.channel}", (closed.end_ns - closed.start_ns) / 1e9
        return ReadTrace(
            None, fault=f"{where}: no reading came in {seconds:.1f} s of a power-up; there is no trace of it"
        )
    trace = Trace(samples, closed.start_ns, opened.conditions, tuple(closed.marks))
    row = summarise(trace, opened.id, opened.job, opened.supply, opened.channel, closed.end_ns, closed.reason, None)
    # What was caught is filed, whatever a rule makes of it.
    try:
        row = msgspec.structs.replace(row, finding=read_trace(trace, cards(), band(row)))
    except Exception as e:
        log.exception("reading trace %s", opened.id)
        return ReadTrace(row, None, f"trace {opened.id} is filed without a finding: reading it failed with {e!r}")
    try:
        return ReadTrace(row, describe(trace))
    except Exception as e:
        log.exception("describing trace %s", opened.id)
        return ReadTrace(row, None, f"trace {opened.id} is not found by searches: describing it failed with {e!r}")
