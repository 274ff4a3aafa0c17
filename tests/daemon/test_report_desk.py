"""Reports as the daemon gives them: each made by a process of its own, one after the other."""

from __future__ import annotations

import asyncio
import signal
from pathlib import Path
from typing import Any

import msgspec
import pytest

from benchd.daemon import apart
from benchd.daemon.bench import Bench
from benchd.daemon.core import Core
from benchd.daemon.report_desk import ReportDesk, content
from benchd.jobs.job import Job
from benchd.store.log import Log
from benchd.web.errors import ApiError
from benchd.web.port import Refused


@pytest.fixture
def desk(core: Core, bench: Bench, log: Log) -> ReportDesk:
    log.add_job(Job("R-1", device="phone, <blue>", created_ns=1))
    return ReportDesk(core, bench)


async def test_a_report_is_made_by_another_process_and_this_one_goes_on(desk: ReportDesk) -> None:
    beats = 0

    async def beat() -> None:
        nonlocal beats
        while True:
            await asyncio.sleep(0.01)
            beats += 1

    beating = asyncio.create_task(beat())
    page, paper = await asyncio.gather(
        desk.report("R-1", "html", "technician", "en"), desk.report("R-1", "pdf", "customer", "de")
    )
    beating.cancel()
    assert b"phone, &lt;blue&gt;" in page
    assert b'<a href="report.pdf?for=technician&amp;language=en">As PDF</a>' in page
    assert b'<a href="/#job/R-1">Back to the job</a>' in page
    assert paper.startswith(b"%PDF-")
    assert beats > 5, "the event loop was held"  # then it would beat twice at most


async def test_what_cannot_be_made_is_told(desk: ReportDesk, log: Log, monkeypatch: pytest.MonkeyPatch) -> None:
    assert [each.id for each in desk.languages()] == ["de", "en"]
    gone = {"job": "R-9", "log": str(log.path), "language": "en"}
    with pytest.raises(Refused, match="job 'R-9' is not in the log") as told:  # forgotten in just that moment
        content(await desk.apart.done(msgspec.json.encode(gone)))
    assert told.value.code == "not-found"
    monkeypatch.setattr(apart.sys, "executable", "/no/such/program")
    for job, language, code in (("R-9", "en", "not-found"), ("R-1", "fr", "out-of-range")):
        with pytest.raises(Refused) as told:
            await desk.report(job, "pdf", "technician", language)
        assert told.value.code == code
    with pytest.raises(ApiError, match="could not be started"):
        await desk.report("R-1", "pdf", "technician", "en")


async def test_a_process_that_fails_or_hangs_is_told_and_ended(
    desk: ReportDesk, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun: list[asyncio.subprocess.Process] = []
    begin = asyncio.create_subprocess_exec

    async def noted(*command: str, **how: Any) -> asyncio.subprocess.Process:
        begun.append(await begin(*command, **how))
        return begun[-1]

    monkeypatch.setattr(asyncio, "create_subprocess_exec", noted)
    monkeypatch.setattr(apart.sys, "executable", program(tmp_path / "dies", "echo broken >&2; exit 1"))
    with pytest.raises(ApiError, match="the daemon's log says why"):
        await desk.report("R-1", "pdf", "technician", "en")
    monkeypatch.setattr(apart.sys, "executable", program(tmp_path / "hangs", "exec sleep 60"))
    desk.apart.within_s = 0.3
    with pytest.raises(ApiError, match=r"not made within 0\.3 s") as told:
        await desk.report("R-1", "pdf", "technician", "en")
    assert (told.value.status, told.value.code) == (503, "report-failed")
    assert [process.returncode for process in begun] == [1, -signal.SIGKILL]


def program(file: Path, does: str) -> str:
    """Something to be run in place of Python."""
    file.write_text(f"#!/bin/sh\n{does}\n")
    file.chmod(0o755)
    return str(file)


async def test_when_too_many_wait_the_next_one_is_told(desk: ReportDesk) -> None:
    desk.apart.most_waiting = 0
    with pytest.raises(ApiError, match="ask again in a moment") as told:
        await desk.report("R-1", "pdf", "technician", "en")
    assert (told.value.status, told.value.code) == (503, "busy")
