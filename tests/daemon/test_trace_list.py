"""The daemon lists traces by all that is asked, and tells of one without looking at its readings."""

from __future__ import annotations

import msgspec
import pytest

from benchd.daemon.bench import Bench
from benchd.jobs.job import Job
from benchd.store.log import Log
from benchd.web.port import Refused
from tests.store.making import T0, finding, trace_row


async def test_traces_are_listed_as_asked(bench: Bench, log: Log) -> None:
    log.add_job(Job("R-1", board="blue"))
    rows = [trace_row(f"T-{n}", "R-1" if n else None, T0 + n) for n in range(3)]
    rows[2] = msgspec.structs.replace(rows[2], finding=finding("clean-boot"))
    for row in rows:
        log.add_trace(row)
    assert await bench.traces(None, 10) == rows[::-1]
    assert await bench.traces("R-1", 10, signature="low-stall") == [rows[1]]
    assert await bench.traces(None, 10, board="blue", until_ns=T0 + 2) == [rows[1]]
    assert await bench.traces(None, 10, since_ns=T0 + 1) == [rows[2], rows[1]]
    assert await bench.trace_row("T-1") == rows[1]
    with pytest.raises(Refused, match="'T-9' is not in the log"):
        await bench.trace_row("T-9")
