"""What the technician did, and what is to be ticked: steps and checklists of a job."""

from __future__ import annotations

from benchd.daemon.bench import Bench
from benchd.daemon.core import Core


class StepDesk:
    """Implements `benchd.web.step_port.StepPort`. Lives in the event loop."""

    def __init__(self, core: Core, bench: Bench) -> None:
        self._core = core
        self._bench = bench
