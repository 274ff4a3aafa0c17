"""Steps and checklists in memory: behaves as the port promises, and remembers what was asked."""

from __future__ import annotations

from typing import Any

import msgspec

from benchd.jobs.job import JournalEntry
from benchd.jobs.ticks import ItemState, ListState, TickState
from benchd.web.port import Refused
from benchd.web.step_port import Checklists, FoundBeside, StepKind, StepKinds, Timeline, TimelineEntry, TraceBeside
from tests.web.fake import START_NS

KINDS = [
    StepKind("cleaned", "Cleaned", "Where?", ("by hand", "ultrasonic bath"), "The board was cleaned."),
    StepKind("reflowed", "Reflowed", "Which part?", ("power chip",), "Joints were melted anew."),
    StepKind("storage-lifted", "Storage chip lifted", "Which chip?", (), "The chip was lifted.", "before-chip"),
]


def beside(id: str, start_ns: int, signature: str) -> TraceBeside:
    """A trace beside a step."""
    return TraceBeside(id, "lab", 1, start_ns, 12.0, 0.9, FoundBeside(signature, 0.8))


class FakeSteps:
    """Implements `StepPort` for jobs R-1 and R-1042."""

    def __init__(self) -> None:
        self.asked: list[tuple[Any, ...]] = []
        self.refuse: Refused | None = None
        self.entries: list[TimelineEntry] = []
        """Oldest first; a test may add its own."""
        self.lists: dict[str, ListState] = {
            name: ListState(name, label, moment, (ItemState("a", f"{label}: one", "Since."), ItemState("b", "Two")), 2)
            for name, label, moment in (
                ("before-power", "Before power", "before-power"),
                ("before-chip", "Before the chip", "before-chip"),
                ("after-repair", "After the repair", "after-repair"),
            )
        }

    def _job(self, job: str) -> None:
        if self.refuse:
            raise self.refuse
        if job not in ("R-1", "R-1042"):
            raise Refused("not-found", f"job {job!r} is not in the log; take it in first")

    def _enter(self, job: str, kind: str, payload: dict[str, Any]) -> JournalEntry:
        seq = len(self.entries) + 1
        entry = JournalEntry(seq, START_NS + seq, kind, job, None, None, None, payload)
        self.entries.append(TimelineEntry(**msgspec.to_builtins(entry)))
        return entry

    async def kinds(self) -> StepKinds:
        """See `StepPort`."""
        return StepKinds(KINDS)

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
        """See `StepPort`."""
        self._job(job)
        kind = next((each for each in KINDS if each.id == step), None)
        if kind is None:
            raise Refused("out-of-range", f"step = {step!r}: there is no such kind of step")
        chip = self.lists["before-chip"]
        if kind.checks_first and chip.open and not anyway:
            raise Refused("checks-open", "checks that come first are open", msgspec.to_builtins(Checklists([chip])))
        self.asked.append(("step", job, step, detail, text, minutes, effect, anyway, by))
        return self._enter(job, "step", {"step": step, "label": kind.label, "detail": detail, "text": text, "by": by})

    async def take_back(self, job: str, seq: int, by: str = "") -> JournalEntry:
        """See `StepPort`."""
        self._job(job)
        step = next((each for each in self.entries if each.seq == seq and each.kind == "step"), None)
        if step is None:
            raise Refused("not-found", f"entry {seq} is no step of job {job}")
        if step.taken_back:
            raise Refused("wrong-state", f"step {seq} was taken back already")
        step.taken_back = True
        self.asked.append(("take-back", job, seq, by))
        return self._enter(job, "step-taken-back", {"seq": seq, "step_ns": step.t_ns, "by": by})

    async def timeline(self, job: str, limit: int) -> Timeline:
        """See `StepPort`."""
        self._job(job)
        return Timeline(job, len(self.entries), self.entries[::-1][:limit], len(self.entries) > limit)

    async def checklists(self, job: str) -> Checklists:
        """See `StepPort`."""
        self._job(job)
        return Checklists(list(self.lists.values()))

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
        """See `StepPort`."""
        self._job(job)
        at = self.lists.get(list_name)
        now = next((each for each in at.items if each.id == item), None) if at else None
        if at is None or now is None:
            raise Refused("not-found", f"no item {item!r} in a checklist {list_name!r}")
        if seen is not None and seen != now.version:
            raise Refused("stale", f"{now.label}: ticked by {now.by}", msgspec.to_builtins(now))
        self.asked.append(("tick", job, list_name, item, state, note, by))
        entry = self._enter(job, "check", {"list": list_name, "item": item, "state": state, "note": note, "by": by})
        new = msgspec.structs.replace(now, state=state, note=note, by=by, t_ns=entry.t_ns, version=entry.seq)
        items = tuple(new if each.id == item else each for each in at.items)
        opened = sum(each.state == "open" for each in items)
        self.lists[list_name] = msgspec.structs.replace(at, items=items, open=opened)
        return self.lists[list_name]
