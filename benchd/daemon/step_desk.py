"""What the technician did, and what is to be ticked: steps and checklists of a job."""

from __future__ import annotations

import asyncio
from typing import Any

import msgspec

from benchd.daemon.bench import Bench
from benchd.daemon.core import Core
from benchd.daemon.timelines import timeline_of
from benchd.jobs.around import taken_back
from benchd.jobs.checklist import Checklist
from benchd.jobs.checklist_folder import ChecklistFolder, Lists
from benchd.jobs.job import Job, JournalEntry
from benchd.jobs.steps import Step, StepsFile
from benchd.jobs.ticks import ListState, TickState, states, still_open, tick_payload
from benchd.store.log import Log
from benchd.web.port import Refused
from benchd.web.step_port import Checklists, StepKind, StepKinds, Timeline


class StepDesk:
    """Implements `benchd.web.step_port.StepPort`. Lives in the event loop."""

    def __init__(self, core: Core, bench: Bench) -> None:
        self._core = core
        self._bench = bench
        self.lists = ChecklistFolder(core.settings.data_path / "checklists")
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
        kinds = await asyncio.to_thread(self.steps.read)
        kind = kinds.find(step)
        if kind is None:
            there = ", ".join(each.step.id for each in kinds.offered)
            raise Refused("out-of-range", f"step = {step!r}: there is no such kind of step; there are: {there}")
        lists = await asyncio.to_thread(self.lists.read) if kind.checks_first else None
        said: dict[str, Any] = {"step": kind.id, "label": kind.label, "detail": detail, "text": text, "by": by}
        given = {"plain": kind.plain or None, "minutes": minutes, "effect": effect}
        said |= {key: value for key, value in given.items() if value is not None}

        def write(db: Log) -> JournalEntry:
            has = _job(db, job)
            if effect is not None and ((row := db.trace(effect)) is None or row.job != job):
                raise Refused(
                    "not-found", f"effect = {effect!r}: no trace of job {job}; leave it out, or name one of it"
                )
            waiting = _first(db, has, kind, lists)
            if waiting and not anyway:
                raise _checks_open(kind, waiting)
            passed_over = {"anyway": [item.label for each in waiting for item in each.items]} if waiting else {}
            return db.add_entry("step", job=job, payload=said | passed_over)

        entry: JournalEntry = await self._bench.write(write)
        self._core.event("journal", {"job": job})
        return entry

    async def take_back(self, job: str, seq: int, by: str = "") -> JournalEntry:
        """See `StepPort.take_back`."""

        def write(db: Log) -> JournalEntry:
            _job(db, job)
            entries = db.journal(job=job, limit=-1, kinds=("step", "step-taken-back"))
            step = next((each for each in entries if each.kind == "step" and each.seq == seq), None)
            if step is None:
                raise Refused("not-found", f"entry {seq} is no step of job {job}; only steps can be taken back")
            if step.t_ns in taken_back(entries):
                raise Refused("wrong-state", f"step {seq} of job {job} was taken back already")
            label = step.payload.get("label", "")
            payload = {"seq": seq, "step_ns": step.t_ns, "step": step.payload.get("step", ""), "label": label, "by": by}
            return db.add_entry("step-taken-back", job=job, payload=payload)

        entry: JournalEntry = await self._bench.write(write)
        self._core.event("journal", {"job": job})
        return entry

    async def timeline(self, job: str, limit: int) -> Timeline:
        """See `StepPort.timeline`."""

        def get(db: Log) -> Timeline:
            _job(db, job)
            return timeline_of(db, job, limit)

        return await self._bench.read(get)

    # ---- checklists ----------------------------------------------------------------------------------------------

    async def checklists(self, job: str) -> Checklists:
        """See `StepPort.checklists`."""
        lists = await asyncio.to_thread(self.lists.read)
        found = await self._bench.read(lambda db: _states(db, _job(db, job), lists))
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

        def write(db: Log) -> ListState:
            has = _job(db, job)
            at = _applying(lists, has, list_name)
            wanted = next((each for each in at.item if each.id == item), None)
            if wanted is None:
                there = ", ".join(each.id for each in at.item)
                raise Refused("not-found", f"item {item!r} is not in checklist {list_name}; there are: {there}")
            now = next(each for each in _list(db, has, lists, list_name).items if each.id == item)
            if seen is not None and seen != now.version:
                raise Refused(
                    "stale",
                    f"{now.label}: {_told(now.state)} by {now.by or 'somebody'} since it was read; look at it again",
                    msgspec.to_builtins(now),
                )
            if (now.state, now.note) != (state, note):
                db.add_entry("check", job=job, payload=tick_payload(at, wanted, state, note, by))
            return _list(db, has, lists, list_name)

        ticked: ListState = await self._bench.write(write)
        self._core.event("journal", {"job": job})
        return ticked

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


def _job(db: Log, job: str) -> Job:
    found = db.job(job)
    if found is None:
        raise Refused("not-found", f"job {job!r} is not in the log; take it in first")
    return found


def _of_kind(step: Step) -> dict[str, Any]:
    said = step.model_dump()
    return said | {"details": tuple(said["details"])}


def _states(db: Log, job: Job, lists: Lists) -> list[ListState]:
    return states(lists.applying(job.board, job.device), db.journal(job=job.id, limit=-1, kinds=("check",)))


def _list(db: Log, job: Job, lists: Lists, name: str) -> ListState:
    return next(each for each in _states(db, job, lists) if each.id == name)


def _applying(lists: Lists, job: Job, name: str) -> Checklist:
    has = lists.applying(job.board, job.device)
    found = next((each for each in has if each.name == name), None)
    if found is None:
        there = ", ".join(each.name for each in has)
        raise Refused("not-found", f"checklist {name!r} does not apply to job {job.id}; there are: {there}")
    return found


def _first(db: Log, job: Job, kind: Step, lists: Lists | None) -> list[ListState]:
    """What is open of the checks that come before this kind of step."""
    if lists is None or not kind.checks_first:
        return []
    return still_open(_states(db, job, lists), kind.checks_first)


def _checks_open(kind: Step, waiting: list[ListState]) -> Refused:
    labels = [item.label for each in waiting for item in each.items]
    shown = "; ".join(labels[:3]) + ("; ..." if len(labels) > 3 else "")
    return Refused(
        "checks-open",
        f"{kind.label}: {len(labels)} check{'s' * (len(labels) != 1)} that come first are open ({shown}). Work through "
        "them, or say that the step is to be written down anyway",
        msgspec.to_builtins(Checklists(waiting)),
    )


def _told(state: TickState) -> str:
    return {"open": "opened again", "done": "ticked", "not-needed": "said not to be needed"}[state]
