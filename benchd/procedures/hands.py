"""What a procedure does things with: the daemon's hands in earnest, others in tests. No I/O here."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable
from typing import Literal, Protocol, TypeVar

import msgspec

from benchd.procedures.record import Happened, LeadSet, Run, Value
from benchd.procedures.taken import Told, TraceSeen
from benchd.reading import SenseAt
from benchd.traces.samples import Samples
from benchd.traces.trace import Conditions

T = TypeVar("T")


class Cut(Exception):
    """The run cannot go on: the guard tripped, the output went off, the link is lost, the daemon ends, or a person
    says stop. `outcome`: how the run ends. Whatever is raised, the engine switches off what is on."""

    def __init__(
        self, outcome: Literal["stopped", "timed-out", "tripped", "refused", "interrupted"], text: str
    ) -> None:
        super().__init__(text)
        self.outcome = outcome
        self.text = text


class Bounds(msgspec.Struct, frozen=True):
    """What an output may come to while it is on: never more than the plan and the card say."""

    voltage_v: float
    limit_a: float
    injection: bool = False
    """The rail is known to be shorted: a collapsed voltage in limit is what is wanted, within `power_w`."""
    power_w: float | None = None
    energy_j: float | None = None
    longest_on_s: float | None = None
    stages: bool = False
    """The plan's probe and hold come first."""
    hold: bool = True
    """False: of these the hold is left out, since the board starts by itself and would be cut for it."""
    sense: SenseAt = ""


class Question(msgspec.Struct, frozen=True):
    """Something that the operator is asked, or told to do."""

    name: str
    text: str
    kind: Literal["ready", "choice", "number", "text"] = "ready"
    choices: tuple[str, ...] = ()
    unit: str = ""
    low: float | None = None
    high: float | None = None
    until_ns: int = 0
    """Nobody answers until then: the run ends, output off."""


class Progress(msgspec.Struct, frozen=True):
    """Where a run is."""

    step: int
    """From 0; of `steps` at the top of the card."""
    steps: int
    title: str
    """What it does now, in a few words."""
    share: float | None = None
    """0 to 1, as far as known."""
    question: Question | None = None
    told: Told | None = None


class Hands(Protocol):
    """Every method may raise `Cut`. Outputs are named by the role of their side."""

    def now_ns(self) -> int: ...

    def conditions(self, side: str) -> Conditions: ...

    def leads(self, side: str) -> LeadSet | None: ...

    async def on(self, side: str, voltage_v: float, limit_a: float, bounds: Bounds) -> None:
        """Switch on, through the guard; returns when that is confirmed and, with `stages`, the boot is reached."""

    async def change(self, side: str, voltage_v: float, limit_a: float) -> None:
        """Other settings, within the bounds; returns when they are read back. Readings taken before are not in what
        `readings` gives afterwards."""

    async def off(self, side: str) -> None:
        """Returns when it is confirmed off; Cut('interrupted') when it could not be."""

    def readings(self, side: str) -> AsyncIterator[Samples]:
        """Readings from now on as they come in, in parts; ends by Cut only, also when the output goes off by itself."""
        ...

    async def sleep(self, seconds: float) -> None:
        """Wait; Cut when anything happens meanwhile."""

    async def ask(self, question: Question) -> Value:
        """Cut('timed-out') when nobody answers."""

    async def work(self, ask: Callable[[], T]) -> T:
        """What takes its time, where it keeps nobody waiting."""
        ...

    def tell(self, progress: Progress) -> None: ...

    def happened(self, moment: Happened) -> None:
        """Write a moment down, at once."""

    async def keep(self, run: Run, state: dict[str, object] | None = None) -> None:
        """Keep how the run stands (and a live measurement's state)."""

    def traces(self) -> list[TraceSeen]:
        """Power-ups filed since the run began."""
        ...

    def commands(self) -> list[tuple[str, str]]:
        """What the operator has sent since this was asked last, in order: ("point", text), ("done", "")."""
        ...
