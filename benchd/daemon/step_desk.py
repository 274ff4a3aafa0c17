"""What the technician did, and what is to be ticked: steps and checklists of a job."""

from __future__ import annotations

from benchd.daemon.bench import Bench
from benchd.daemon.core import Core
from benchd.jobs.job import JournalEntry
from benchd.web.port import Refused
from benchd.web.step_port import Checklists, ChecklistView, StepKinds, TickState, Timeline

NOT_YET = "steps and checklists are not built yet"


class StepDesk:
    """Implements `benchd.web.step_port.StepPort`. Lives in the event loop."""

    def __init__(self, core: Core, bench: Bench) -> None:
        self._core = core
        self._bench = bench

    async def kinds(self) -> StepKinds:
        """See `StepPort.kinds`."""
        raise Refused("wrong-state", NOT_YET)

    async def add_step(
        self, job: str, step: str, *, detail: str = "", text: str = "", minutes: float | None = None,
        effect: str | None = None, anyway: bool = False, by: str = "",
    ) -> JournalEntry:  # fmt: skip
        """See `StepPort.add_step`."""
        raise Refused("wrong-state", NOT_YET)

    async def take_back(self, job: str, seq: int, by: str = "") -> JournalEntry:
        """See `StepPort.take_back`."""
        raise Refused("wrong-state", NOT_YET)

    async def timeline(self, job: str, limit: int) -> Timeline:
        """See `StepPort.timeline`."""
        raise Refused("wrong-state", NOT_YET)

    async def checklists(self, job: str) -> Checklists:
        """See `StepPort.checklists`."""
        raise Refused("wrong-state", NOT_YET)

    async def tick(
        self, job: str, list_name: str, item: str, state: TickState, *, note: str = "", seen: int | None = None,
        by: str = "",
    ) -> ChecklistView:  # fmt: skip
        """See `StepPort.tick`."""
        raise Refused("wrong-state", NOT_YET)
