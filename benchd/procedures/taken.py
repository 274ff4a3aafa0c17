"""What a run has measured, and what an analysis makes of it. Pure."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from typing import Literal, NamedTuple, Protocol

import msgspec

from benchd.plans.plan import Plan
from benchd.procedures.record import Curve, Happened, LeadSet, Outcome, Result, Value
from benchd.traces.samples import Samples
from benchd.traces.trace import Conditions


class Mean(NamedTuple):
    """The mean of some readings of one quantity."""

    value: float
    sigma: float
    """Standard deviation of one reading."""
    u: float
    """Half of the 95 % interval of the mean: accuracy, step and scatter (`coverage.Parts`)."""
    reach: float = 0.0
    """How far it may lie off, accuracy and step in full: for whether there is anything at all."""

    @property
    def none_within(self) -> float:
        """Up to here it is not to be told from nothing."""
        return max(self.u, self.reach)


class Measured(NamedTuple):
    """One `measure` step that was carried out."""

    name: str
    side: str
    labels: dict[str, Value]
    """Loop variables as they were: {"voltage_v": 1.2, "cycle": 3}."""
    t_ns: int
    """Middle of the readings."""
    readings: int
    voltage_v: Mean
    current_a: Mean
    in_limit: bool
    """Most of the readings were in constant current."""
    set_voltage_v: float
    limit_a: float


class Answered(NamedTuple):
    """One `ask` step that was answered."""

    name: str
    value: Value
    t_ns: int


@dataclasses.dataclass(slots=True)
class Taken:
    """What an analysis goes by. Dictionaries by role of the side."""

    plan: Plan
    parameters: dict[str, Value]
    accuracy: dict[str, Conditions]
    leads: dict[str, LeadSet | None]
    """None: never measured, and nothing in the settings."""
    measured: list[Measured] = dataclasses.field(default_factory=list)
    answers: list[Answered] = dataclasses.field(default_factory=list)
    recorded: dict[str, Samples] = dataclasses.field(default_factory=dict)
    """Readings of `record` steps, by side, in time order."""
    happened: list[Happened] = dataclasses.field(default_factory=list)
    traces: list[TraceSeen] = dataclasses.field(default_factory=list)
    """Power-ups that were filed while it went on, in time order."""
    reference: dict[str, tuple[Curve, ...]] = dataclasses.field(default_factory=dict)
    """Curves of the same card on reference boards of this kind, by run id."""


class TraceSeen(NamedTuple):
    """A power-up that was filed during a run, in the figures that analyses go by."""

    id: str
    start_ns: int
    side: str
    signature: str
    """Empty: it has no finding."""
    confidence: float
    boot_s: float | None
    """From the button (or the connection) to settled, s; None: it did not settle."""
    peak_a: float | None
    settled_a: float | None
    labels: dict[str, Value]


class Analysed(NamedTuple):
    """What came of it."""

    outcome: Outcome
    """passed, failed, done, unclear."""
    text: str
    results: tuple[Result, ...]
    curves: tuple[Curve, ...] = ()
    leads: tuple[LeadSet, ...] = ()
    """To be kept as what the leads have from now on."""


Analysis = Callable[[Taken], Analysed]
"""Raises `CannotTell` where what was measured is not enough."""


class CannotTell(ValueError):
    """What was measured is not enough, or the instrument too coarse: a sentence that says what it can do."""


class Told(msgspec.Struct, frozen=True):
    """What a live measurement says now, for page and ear."""

    values: dict[str, Value]
    """resistance_ohm, u_ohm, energy_j, mean_a ...: names with units."""
    text: str = ""
    ear: float | None = None
    """0 to 1 for a tone that follows it, 1 the highest pitch; None: silence."""
    wanted: Literal["", "change", "end", "unsafe"] = ""
    """What it asks the engine for: other settings (`change_voltage_v`, `change_limit_a`), the end, or, because of
    `text`, the end at once with the output off."""
    change_voltage_v: float | None = None
    change_limit_a: float | None = None


class Live(Protocol):
    """A measurement that goes on until somebody or something ends it, with bounded memory.

    Made by `Maker(Taken)`. `state()` is JSON-able: kept every minute, and handed to `restore` after a restart of
    the daemon, together with the gap.
    """

    def feed(self, side: str, samples: Samples) -> None: ...

    def told(self, now_ns: int) -> Told: ...

    def point(self, text: str, now_ns: int) -> Happened:
        """The operator says where the probe is: what it reads there."""
        ...

    def state(self) -> dict[str, object]: ...

    def restore(self, state: dict[str, object], gap_from_ns: int, gap_to_ns: int) -> None: ...

    def analysed(self) -> Analysed: ...


Maker = Callable[[Taken], Live]
