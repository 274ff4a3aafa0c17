"""The report of a job, as a page and as PDF."""

from __future__ import annotations

from benchd.daemon.bench import Bench
from benchd.daemon.core import Core


class ReportDesk:
    """Implements `benchd.web.report_port.ReportPort`. Lives in the event loop."""

    def __init__(self, core: Core, bench: Bench) -> None:
        self._core = core
        self._bench = bench
