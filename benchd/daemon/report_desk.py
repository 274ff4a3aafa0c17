"""The report of a job, as a page and as PDF."""

from __future__ import annotations

import logging

import msgspec

from benchd.daemon.apart import Apart, Done
from benchd.daemon.bench import Bench
from benchd.daemon.core import Core
from benchd.report.order import Audience, Failed, Form, Order
from benchd.report.texts import Texts, languages
from benchd.web.errors import ApiError
from benchd.web.port import Refused
from benchd.web.report_port import ReportLanguage

log = logging.getLogger("benchd")

WITHIN_S = 60.0
"""A report that takes longer is given up; one of 12 traces takes one or two seconds."""
MOST_WAITING = 8
"""Reports are made one after the other; who comes when so many wait is told to come again."""


_FAILED = msgspec.json.Decoder(Failed)


class ReportDesk:
    """Implements `benchd.web.report_port.ReportPort`. Lives in the event loop; each report is made by a process of its
    own, which reads the log's file (`benchd.report.__main__` says why)."""

    def __init__(self, core: Core, bench: Bench) -> None:
        self._core = core
        self._bench = bench
        self.apart = maker()

    def languages(self) -> list[ReportLanguage]:
        """See `ReportPort.languages`."""
        return [ReportLanguage(id, Texts(id)("page.language")) for id in languages()]

    async def report(self, job: str, form: Form, audience: Audience, language: str) -> bytes:
        """See `ReportPort.report`."""
        if language not in languages():
            raise Refused("out-of-range", f"language = {language!r}: allowed are {', '.join(languages())}")
        if await self._bench.read(lambda db: db.job(job)) is None:  # no process is needed to see that
            raise Refused("not-found", f"job {job!r} is not in the log")
        order = Order(job, str(self._core.writer.path), form, audience, language, self._core.settings.bench)
        return content(await self.apart.done(msgspec.json.encode(order)))


def maker() -> Apart:
    """Makes a report of each `Order` (as JSON) in a process of its own."""
    return Apart("benchd.report", "report", "report-failed", within_s=WITHIN_S, most_waiting=MOST_WAITING)


def content(done: Done) -> bytes:
    """The report, by how the process that makes it has ended. Raises Refused, ApiError."""
    if done.status == 0:
        return done.made
    try:
        fault = _FAILED.decode(done.told)
    except msgspec.DecodeError:
        log.error("a report could not be made: %s", done.told.decode("utf-8", "replace")[-2000:])
        raise ApiError(500, "report-failed", "the report could not be made; the daemon's log says why") from None
    if fault.code == "report-failed":
        raise ApiError(500, fault.code, fault.message)
    raise Refused(fault.code, fault.message)
