"""What steps and checklists ask of the daemon, and the shapes they show."""

from __future__ import annotations

from typing import Any, Protocol

import msgspec

from benchd.jobs.job import JournalEntry
from benchd.jobs.ticks import ListState, TickState


class StepKind(msgspec.Struct, frozen=True):
    """A kind of step, as the page offers it."""

    id: str
    label: str
    """A few words in the past tense: Cleaned, Reflowed."""
    ask: str = ""
    """The question for the detail: Where?, Which error? Empty: it has none."""
    details: tuple[str, ...] = ()
    """Answers to choose from; others may be typed."""
    plain: str = ""
    """The step in words for the owner."""
    checks_first: str = ""
    """`before-chip`: these checks come first; a step with some of them open is refused unless told `anyway`."""
    origin: str = "shipped"
    """shipped, own (stands in steps.toml)."""


class StepKinds(msgspec.Struct):
    """The kinds of steps, in the order to be offered."""

    steps: list[StepKind]
    faults: list[str] = []
    """What is wrong with steps.toml; the shipped kinds are used then."""


class FoundBeside(msgspec.Struct, frozen=True):
    """What a trace beside a step reads as."""

    signature: str
    confidence: float


class TraceBeside(msgspec.Struct, frozen=True):
    """A trace beside a step, in short."""

    id: str
    supply: str
    channel: int
    start_ns: int
    duration_s: float
    peak_a: float | None
    finding: FoundBeside | None = None


class TimelineEntry(msgspec.Struct):
    """An entry of the journal; a step with the traces beside it."""

    seq: int
    t_ns: int
    kind: str
    job: str | None
    supply: str | None
    channel: int | None
    trace: str | None
    payload: dict[str, Any]
    taken_back: bool = False
    """A step that counts as never made."""
    before: TraceBeside | None = None
    after: TraceBeside | None = None
    with_steps: tuple[int, ...] = ()
    """`seq` of other steps between the same two traces: which of them made the difference cannot be told."""


class Timeline(msgspec.Struct):
    """What happened to a job, newest first."""

    job: str
    version: int
    """`seq` of the newest entry; 0: none."""
    entries: list[TimelineEntry]
    more: bool = False
    """There are older ones than were asked for."""


class Checklists(msgspec.Struct):
    """All checklists of a job, in the order of their moments."""

    checklists: list[ListState]
    faults: list[str] = []
    """What is wrong with files of one's own."""


class StepPort(Protocol):
    """Every method may raise `Refused`."""

    async def kinds(self) -> StepKinds:
        """The kinds of steps to choose from."""

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
        """Write down what was done. `minutes`: how long it took; `effect`: the first trace that shows what came of it.

        Raises Refused('checks-open') for a step that wants checks first while some are open, unless `anyway`;
        `present`: the `Checklists` with what is open.
        """

    async def take_back(self, job: str, seq: int, by: str = "") -> JournalEntry:
        """A step that was written down by mistake; it stays in the journal, marked as taken back."""

    async def timeline(self, job: str, limit: int) -> Timeline:
        """What happened to a job, newest first."""

    async def checklists(self, job: str) -> Checklists:
        """The checklists that apply to a job, and how each item stands."""

    async def tick(
        self, job: str, list_name: str, item: str, state: TickState, *, note: str = "", seen: int | None = None,
        by: str = "",
    ) -> ListState:  # fmt: skip
        """Tick an item, say that it is not needed, or open it again. `seen`: the item's version that was gone by.

        Raises Refused('stale') with the item as it is now.
        """
