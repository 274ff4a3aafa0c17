"""The report of a job, as a page and as PDF."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import sys

import msgspec

from benchd.daemon.bench import Bench
from benchd.daemon.core import Core
from benchd.report.texts import Texts, languages
from benchd.web.errors import ApiError
from benchd.web.port import Refused
from benchd.web.report_port import Audience, Form, ReportLanguage

log = logging.getLogger("benchd")

WITHIN_S = 60.0
"""A report that takes longer is given up; one of 12 traces takes one or two seconds."""
MOST_WAITING = 8
"""Reports are made one after the other; who comes when so many wait is told to come again."""


class _Fault(msgspec.Struct):
    """What the process that makes a report says when it cannot."""

    code: str
    message: str


_FAULT = msgspec.json.Decoder(_Fault)


class ReportDesk:
    """Implements `benchd.web.report_port.ReportPort`. Lives in the event loop; each report is made by a process of its
    own, which reads the log's file (`benchd.report.__main__` says why)."""

    def __init__(self, core: Core, bench: Bench) -> None:
        self._core = core
        self._bench = bench
        self._turn = asyncio.Lock()
        self._waiting = 0

    def languages(self) -> list[ReportLanguage]:
        """See `ReportPort.languages`."""
        return [ReportLanguage(id, Texts(id)("page.language")) for id in languages()]

    async def report(self, job: str, form: Form, audience: Audience, language: str) -> bytes:
        """See `ReportPort.report`."""
        if language not in languages():
            raise Refused("out-of-range", f"language = {language!r}: allowed are {', '.join(languages())}")
        if await self._bench.read(lambda db: db.job(job)) is None:  # no process is needed to see that
            raise Refused("not-found", f"job {job!r} is not in the log")
        if self._waiting >= MOST_WAITING:
            raise ApiError(503, "busy", f"{self._waiting} reports are waited for already; ask again in a moment")
        order = {
            "job": job,
            "log": str(self._core.writer.path),
            "form": form,
            "audience": audience,
            "language": language,
            "bench": self._core.settings.bench,
        }
        self._waiting += 1
        try:
            async with self._turn:
                return await made(msgspec.json.encode(order))
        finally:
            self._waiting -= 1


async def made(order: bytes) -> bytes:
    """Have a process make what is ordered (an `Order` as JSON). Raises Refused, ApiError."""
    pipe = asyncio.subprocess.PIPE
    try:
        process = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "benchd.report", stdin=pipe, stdout=pipe, stderr=pipe
        )
    except OSError as e:
        raise ApiError(503, "report-failed", f"the process that makes reports could not be started: {e}") from None
    try:
        content, told = await asyncio.wait_for(process.communicate(order), WITHIN_S)
    except TimeoutError:
        raise ApiError(503, "report-failed", f"the report was not made within {WITHIN_S:g} s, and given up") from None
    finally:
        if process.returncode is None:
            with contextlib.suppress(ProcessLookupError):
                process.kill()
            await process.wait()
    if process.returncode == 0:
        return content
    try:
        fault = _FAULT.decode(told)
    except msgspec.DecodeError:
        log.error("a report could not be made: %s", told.decode("utf-8", "replace")[-2000:])
        raise ApiError(500, "report-failed", "the report could not be made; the daemon's log says why") from None
    if fault.code == "report-failed":
        raise ApiError(500, fault.code, fault.message)
    raise Refused(fault.code, fault.message)
