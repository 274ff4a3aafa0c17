"""What the technician did, and what is to be ticked: steps and checklists of a job."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Any, TypeVar

from benchd.daemon.bench import Bench
from benchd.daemon.core import Core
from benchd.daemon.timelines import timeline_of
from benchd.jobs.checklist_folder import checklist_folder
from benchd.jobs.job import JournalEntry
from benchd.jobs.steps import Step, StepsFile
from benchd.jobs.ticks import ListState, TickState, still_open
from benchd.store.log import Log
from benchd.store.step_entries import Done, StepError, add_step, job_of, states_of, take_back, tick
from benchd.web.port import Refused
from benchd.web.step_port import Checklists, StepKind, StepKinds, Timeline

T = TypeVar("T")


class StepDesk:
    """Implements `benchd.web.step_port.StepPort`. Lives in the event loop."""

    def __init__(self, core: Core, bench: Bench) -> None:
        self._core = core
        self._bench = bench
        self.lists = checklist_folder(core.settings.data_path / "checklists")
        self.steps = StepsFile(core.settings.data_path / "steps.toml")
        self._looking: asyncio.Task[None] | None = None
        self._look_again = False
        core.hearers.append(self._hear)

    # ---- steps ---------------------------------------------------------------------------------------------------

    async def kinds(self) -> StepKinds:
        """See `StepPort.kinds`."""
        found = await asyncio.to_thread(self.steps.read)
        shown = [StepKind(origin=origin, **_of_kind(step)) for step, origin in found.offered]
        return StepKinds(shown, list(found.faults))

    async def add_step(
        self,
        job: str,
        step: str,
        *,
        detail: str = "",
        text: str = "",
        minutes: float | None = None,
        effect: str | None = None,
        anyway: bool = False,
        by: str = "",
    ) -> JournalEntry:
        """See `StepPort.add_step`."""
        done = Done(step, detail, text, minutes, effect, anyway, by)
        kinds = await asyncio.to_thread(self.steps.read)
        lists = await asyncio.to_thread(self.lists.read)
        return await self._written(job, lambda log: add_step(log, job, done, kinds, lists))

    async def take_back(self, job: str, seq: int, by: str = "") -> JournalEntry:
        """See `StepPort.take_back`."""
        return await self._written(job, lambda log: take_back(log, job, seq, by))

    async def timeline(self, job: str, limit: int) -> Timeline:
        """See `StepPort.timeline`."""
        return await self._read(lambda log: timeline_of(log, job_of(log, job), limit))

    # ---- checklists ----------------------------------------------------------------------------------------------

    async def checklists(self, job: str) -> Checklists:
        """See `StepPort.checklists`."""
        lists = await asyncio.to_thread(self.lists.read)
        found = await self._read(lambda log: states_of(log, job_of(log, job), lists))
        return Checklists(found, list(lists.faults))

    async def tick(
        self,
        job: str,
        list_name: str,
        item: str,
        state: TickState,
        *,
        note: str = "",
        seen: int | None = None,
        by: str = "",
    ) -> ListState:
        """See `StepPort.tick`."""
        lists = await asyncio.to_thread(self.lists.read)
        return await self._written(
            job, lambda log: tick(log, job, lists, list_name, item, state, note=note, seen=seen, by=by)
        )

    # ---- the caution before power --------------------------------------------------------------------------------

    def _hear(self, kind: str, payload: dict[str, Any]) -> None:
        on_bench = self._core.job
        if kind in ("job", "files") or (kind == "journal" and payload.get("job") == on_bench):
            self.look()

    def look(self) -> None:
        """See which checks before power are open for the job on the bench; the view of the bench has them then."""
        if self.looking:
            self._look_again = True
            return
        self._looking = asyncio.get_running_loop().create_task(self._look(), name="checks before power")

    @property
    def looking(self) -> bool:
        """It has not finished yet."""
        return self._looking is not None and not self._looking.done()

    async def _look(self) -> None:
        while True:
            self._look_again = False
            found = await self._before_power(self._core.job)
            if found is not None and found != self._core.checks_open:
                self._core.checks_open = found
                self._core.event("checks", {"open": len(found)})
            if not self._look_again:
                return

    async def _before_power(self, job: str | None) -> list[str] | None:
        """Labels of what is open; None: the log cannot be read now."""
        if job is None:
            return []
        try:
            found = await self.checklists(job)
        except Refused as e:
            return [] if e.code == "not-found" else None
        return [item.label for each in still_open(found.checklists, "before-power") for item in each.items]

    # ---- the log -------------------------------------------------------------------------------------------------

    async def _read(self, ask: Callable[[Log], T]) -> T:
        try:
            return await self._bench.read(ask)
        except StepError as e:
            raise Refused(e.code, str(e), e.present) from None

    async def _written(self, job: str, change: Callable[[Log], T]) -> T:
        try:
            written = await self._bench.write(change)
        except StepError as e:
            raise Refused(e.code, str(e), e.present) from None
        self._core.event("journal", {"job": job})
        return written


def _of_kind(step: Step) -> dict[str, Any]:
    said = step.model_dump()
    return said | {"details": tuple(said["details"])}
