"""What the web room serves besides the bench itself; None: not offered, and its routes are not there."""

from __future__ import annotations

import dataclasses

from fastapi import FastAPI

from benchd.web import procedure_routes, record_routes, report_routes, settings_routes, step_routes, window_routes
from benchd.web.files_port import FilesPort
from benchd.web.procedure_port import ProcedurePort
from benchd.web.record_port import RecordPort
from benchd.web.report_port import ReportPort
from benchd.web.step_port import StepPort
from benchd.web.window_port import WindowPort


@dataclasses.dataclass(frozen=True, slots=True)
class Desks:
    """Whom to ask about what."""

    records: RecordPort | None = None
    steps: StepPort | None = None
    reports: ReportPort | None = None
    windows: WindowPort | None = None
    files: FilesPort | None = None
    procedures: ProcedurePort | None = None

    def add_to(self, api: FastAPI) -> None:
        """Add the routes of those that are there."""
        if self.records is not None:
            api.include_router(record_routes.router(self.records))
        if self.steps is not None:
            api.include_router(step_routes.router(self.steps))
        if self.reports is not None:
            api.include_router(report_routes.router(self.reports))
        if self.windows is not None:
            api.include_router(window_routes.router(self.windows))
        if self.files is not None:
            api.include_router(settings_routes.router(self.files))
        if self.procedures is not None:
            api.include_router(procedure_routes.router(self.procedures))
