"""Steps and checklists of a job in its journal. Each change is one transaction, which the caller begins."""

from __future__ import annotations

from typing import Any, Literal

import msgspec

from benchd.jobs.around import taken_back
from benchd.jobs.checklist import Checklist
from benchd.jobs.checklist_folder import Lists, applying
from benchd.jobs.job import Job, JournalEntry
from benchd.jobs.steps import Kinds, Step
from benchd.jobs.ticks import ListState, TickState, states, still_open, tick_payload
from benchd.store.log import Log


class StepError(ValueError):
    """A step or a tick that cannot be."""

    def __init__(
        self,
        code: Literal["not-found", "out-of-range", "wrong-state", "checks-open", "stale"],
        message: str,
        present: Any = None,
    ) -> None:
        super().__init__(message)
        self.code = code
        self.present = present
        """With `checks-open` the lists with what is open, with `stale` the item as it is now; JSON-able."""


class Done(msgspec.Struct, frozen=True):
    """What was done to a board, as a person says it."""

    step: str
    """An id of a kind of step."""
    detail: str = ""
    text: str = ""
    minutes: float | None = None
    """How long it took."""
    effect: str | None = None
    """The first trace that shows what came of it; None: by time."""
    anyway: bool = False
    """Though checks that come first are open."""
    by: str = ""


def add_step(log: Log, job: str, done: Done, kinds: Kinds, lists: Lists) -> JournalEntry:
    """Write a step down. Raises StepError, LogError."""
    kind = kinds.find(done.step)
    if kind is None:
        there = ", ".join(each.step.id for each in kinds.offered)
        raise StepError("out-of-range", f"step = {done.step!r}: there is no such kind of step; there are: {there}")
    has = job_of(log, job)
    if done.effect is not None and ((row := log.trace(done.effect)) is None or row.job != job):
        told = f"effect = {done.effect!r}: no trace of job {job}; leave it out, or name one of it"
        raise StepError("not-found", told)
    waiting = still_open(states_of(log, has, lists), kind.checks_first) if kind.checks_first else []
    if waiting and not done.anyway:
        raise _checks_open(kind, waiting)
    said: dict[str, Any] = {
        "step": kind.id,
        "label": kind.label,
        "detail": done.detail,
        "text": done.text,
        "by": done.by,
    }
    given = {"plain": kind.plain or None, "minutes": done.minutes, "effect": done.effect}
    said |= {key: value for key, value in given.items() if value is not None}
    if waiting:
        said["anyway"] = [item.label for each in waiting for item in each.items]
    return log.add_entry("step", job=job, payload=said)


def take_back(log: Log, job: str, seq: int, by: str) -> JournalEntry:
    """Mark a step as never made; it stays in the journal. Raises StepError, LogError."""
    job_of(log, job)
    entries = log.journal(job=job, limit=-1, kinds=("step", "step-taken-back"))
    step = next((each for each in entries if each.kind == "step" and each.seq == seq), None)
    if step is None:
        raise StepError("not-found", f"entry {seq} is no step of job {job}; only steps can be taken back")
    if step.t_ns in taken_back(entries):
        raise StepError("wrong-state", f"step {seq} of job {job} was taken back already")
    named = {"step": step.payload.get("step", ""), "label": step.payload.get("label", "")}
    return log.add_entry("step-taken-back", job=job, payload={"seq": seq, "step_ns": step.t_ns, **named, "by": by})


def tick(
    log: Log, job: str, lists: Lists, list_name: str, item: str, state: TickState, *, note: str = "",
    seen: int | None = None, by: str = "",
) -> ListState:  # fmt: skip
    """Tick an item, say that it is not needed, or open it again; the list as it is then. What changes nothing is not
    written down. `seen`: the item's version that was gone by; None: none. Raises StepError, LogError."""
    has = job_of(log, job)
    at = _applying(lists, has, list_name)
    wanted = next((each for each in at.item if each.id == item), None)
    if wanted is None:
        there = ", ".join(each.id for each in at.item)
        raise StepError("not-found", f"item {item!r} is not in checklist {list_name}; there are: {there}")
    now = next(each for each in _list(log, has, lists, list_name).items if each.id == item)
    if seen is not None and seen != now.version:
        told = f"{now.label}: {_TOLD[now.state]} by {now.by or 'somebody'} since it was read; look at it again"
        raise StepError("stale", told, msgspec.to_builtins(now))
    if (now.state, now.note) != (state, note):
        log.add_entry("check", job=job, payload=tick_payload(at, wanted, state, note, by))
    return _list(log, has, lists, list_name)


def states_of(log: Log, job: Job, lists: Lists) -> list[ListState]:
    """How all checklists of a job stand. Raises LogError."""
    entries = log.journal(job=job.id, limit=-1, kinds=("check",))
    return states(applying(lists, job.board, job.device), entries)


def job_of(log: Log, job: str) -> Job:
    """The job of that id. Raises StepError where there is none."""
    found = log.job(job)
    if found is None:
        raise StepError("not-found", f"job {job!r} is not in the log; take it in first")
    return found


_TOLD: dict[TickState, str] = {"open": "opened again", "done": "ticked", "not-needed": "said not to be needed"}


def _list(log: Log, job: Job, lists: Lists, name: str) -> ListState:
    return next(each for each in states_of(log, job, lists) if each.id == name)


def _applying(lists: Lists, job: Job, name: str) -> Checklist:
    has = applying(lists, job.board, job.device)
    found = next((each for each in has if each.name == name), None)
    if found is None:
        there = ", ".join(each.name for each in has)
        raise StepError("not-found", f"checklist {name!r} does not apply to job {job.id}; there are: {there}")
    return found


def _checks_open(kind: Step, waiting: list[ListState]) -> StepError:
    labels = [item.label for each in waiting for item in each.items]
    counted = "1 check that comes first is" if len(labels) == 1 else f"{len(labels)} checks that come first are"
    shown = "; ".join(labels[:3]) + ("; ..." if len(labels) > 3 else "")
    return StepError(
        "checks-open",
        f"{kind.label}: {counted} open ({shown}). Work through them, or say that the step is to be written down anyway",
        {"checklists": msgspec.to_builtins(waiting), "faults": []},
    )
