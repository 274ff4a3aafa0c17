"""The desks of a daemon: whom the web room asks besides the bench."""

from __future__ import annotations

from pathlib import Path

from benchd.daemon.bench import Bench
from benchd.daemon.core import Core
from benchd.daemon.files_desk import FilesDesk
from benchd.daemon.procedure_desk import ProcedureDesk
from benchd.daemon.record_desk import RecordDesk
from benchd.daemon.report_desk import ReportDesk
from benchd.daemon.step_desk import StepDesk
from benchd.daemon.window_desk import WindowDesk
from benchd.web.desks import Desks


def desks_of(core: Core, bench: Bench, config: Path | None = None) -> Desks:
    """All desks, over one core and one bench. Called in the event loop.

    `config`: the settings file, if the daemon was started with one.
    """
    steps = StepDesk(core, bench)
    steps.look()
    procedures = ProcedureDesk(core, bench)
    return Desks(
        records=RecordDesk(core, bench),
        steps=steps,
        reports=ReportDesk(core, bench),
        windows=WindowDesk(core, bench),
        files=FilesDesk(core, bench, steps, config, procedures.folder),
        procedures=procedures,
    )
