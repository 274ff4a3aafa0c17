"""Files to take away, for the API: a trace for other programs, a whole job as an archive."""

from __future__ import annotations

import asyncio
import contextlib
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import BinaryIO

from benchd.daemon.core import Core
from benchd.daemon.picturing import Picturing
from benchd.store.errors import LogError
from benchd.store.exporting import lines, long_trace, span_of
from benchd.store.lines import EVENT_KINDS
from benchd.store.log import Log
from benchd.store.packing import pack_job, snapshot
from benchd.traces.csv_write import csv_pieces
from benchd.traces.file_error import TraceFileError
from benchd.traces.parquet import save_parquet
from benchd.web.port import Refused, TraceForm


class Exporting(Picturing):
    """The part of `BenchPort` that writes files. They are whole before the first byte goes out: what fails is said as
    any other fault is."""

    def __init__(self, core: Core, log_path: Path) -> None:
        super().__init__(core, log_path)
        # One after the other: each may be as large as the readings are many.
        self._writing = asyncio.Lock()

    async def trace_file(self, trace: str, form: TraceForm) -> BinaryIO:
        """See `BenchPort.trace_file`."""
        bench = self._core.settings.bench
        return await self._written(lambda db, file: write_trace(db, trace, form, bench, file))

    async def job_file(self, job: str, with_csv: bool, without_person: bool) -> BinaryIO:
        """See `BenchPort.job_file`."""
        bench = self._core.settings.bench

        def write(db: Log, file: BinaryIO) -> None:
            if db.job(job) is None:
                raise Refused("not-found", f"job {job!r} is not in the log")
            pack_job(db, job, file, bench=bench, with_csv=with_csv, without_person=without_person)

        return await self._written(write)

    async def _written(self, write: Callable[[Log, BinaryIO], None]) -> BinaryIO:
        async with self._writing:
            return await self.read(lambda db: _temporary(db, write))


def write_trace(db: Log, trace: str, form: TraceForm, bench: str, file: BinaryIO) -> None:
    """Write a filed trace to an open file. For any thread. Raises Refused, LogError."""
    with snapshot(db):
        row = db.trace(trace)
        if row is None:
            raise Refused("not-found", f"trace {trace!r} is not in the log")
        if form == "parquet":
            save_parquet(long_trace(db, row), file)
        elif form == "csv":
            file.writelines(text.encode() for text in csv_pieces(long_trace(db, row)))
        else:
            events = db.journal(trace=trace, limit=-1, kinds=EVENT_KINDS)
            file.writelines(text.encode() for text in lines(db, [span_of(row)], events, bench))


def _temporary(db: Log, write: Callable[[Log, BinaryIO], None]) -> BinaryIO:
    with contextlib.ExitStack() as undo:
        try:
            file = undo.enter_context(tempfile.TemporaryFile())
            write(db, file)
            file.seek(0)
        except TraceFileError as e:
            raise Refused("wrong-state", e.problem) from None
        except OSError as e:
            raise LogError(f"no room to write the file: {e}; free some space in {tempfile.gettempdir()}") from e
        undo.pop_all()
        return file
