"""What procedures ask of the daemon, and the shapes they show: cards, checks, runs, leads."""

from __future__ import annotations

from typing import Literal, Protocol

import msgspec

from benchd.procedures.hands import Question
from benchd.procedures.record import Curve, LeadSet, Outcome, Run, Side, Value
from benchd.procedures.taken import Told


class ParameterView(msgspec.Struct):
    """A figure of a card that may be chosen for a run."""

    name: str
    title: str
    unit: str
    kind: Literal["number", "choice", "text", "bool"]
    default: Value
    """null: it follows from the plan, as `default_text` says, or it has to be given."""
    default_text: str = ""
    low: float | None = None
    high: float | None = None
    choices: list[str] = []
    needed: bool = False
    """It has no default."""


class SideOf(msgspec.Struct):
    """An output that a card asks for, in its role."""

    role: str
    title: str
    text: str = ""
    """Where it is connected."""
    plan: str = ""
    """The plan that it wants; empty: that of the card."""


class ProcedureCard(msgspec.Struct):
    """A card, as page and command line offer it. Its text is the file `procedure` of that name of the settings."""

    name: str
    title: str
    version: int
    origin: Literal["own", "shipped"]
    overrides: bool
    """It stands before a shipped one of its name."""
    what: str
    """What it is for and how it goes, in one paragraph."""
    cautions: list[str]
    """To be read, and accepted, before it begins."""
    sides: list[SideOf]
    parameters: list[ParameterView]
    steps: list[str]
    """What it does at the top, in a few words each."""
    plan: str = ""
    """The plan that it wants; empty: that of the output."""
    traces: bool = True
    """Power-ups during a run are filed as ever; false: the run's record is all there is of them."""
    resumes: bool = False
    """A run may go on after a restart of benchd, when a person says so."""


class Procedures(msgspec.Struct):
    """All cards that are used, by name."""

    procedures: list[ProcedureCard]
    faults: list[str] = []
    """What is wrong with cards of one's own."""


class SideChosen(msgspec.Struct, frozen=True):
    """An output for one role."""

    role: str
    supply: str
    channel: int
    plan: str | None = None
    """null: the one that the card wants for this side, else the channel's own."""


class MostSet(msgspec.Struct):
    """What a run would apply at most to one output."""

    role: str
    supply: str
    channel: int
    plan: str
    voltage_v: float | None
    limit_a: float | None
    power_w: float | None = None
    energy_j: float | None = None


class ProcedureChecked(msgspec.Struct):
    """What a run would be, before anything is switched on."""

    faults: list[str]
    """Why it cannot begin, a sentence each; empty: it can."""
    most: list[MostSet]
    seconds: float | None
    """How long it takes at most; null: not to be told."""
    cautions: list[str]
    parameters: dict[str, Value]
    """All of them, with those that follow from the plan."""


class ProcedureView(msgspec.Struct):
    """A run that goes on."""

    run: str
    card: str
    title: str
    job: str | None
    sides: list[Side]
    plan: str
    began_ns: int
    elapsed_s: float
    step: int
    """From 0; of `steps` at the top of the card."""
    steps: int
    doing: str
    """What it does now, in a few words."""
    share: float | None = None
    """0 to 1, as far as known."""
    question: Question | None = None
    """What the operator is asked (POST /runs/{id}/answer)."""
    told: Told | None = None
    """What is measured now."""
    live: bool = False
    """It goes on until somebody says that it is done, and takes points (POST /runs/{id}/done, /point)."""
    ending: bool = False
    """It is being ended: outputs go off."""


class RunRow(msgspec.Struct):
    """A run in a list."""

    id: str
    card: str
    version: int
    title: str
    job: str | None
    began_ns: int
    ended_ns: int | None
    outcome: Outcome
    text: str
    sides: list[Side]
    by: str = ""
    may_resume: bool = False


class RunBeside(msgspec.Struct):
    """Curves of a run on a good board, to be drawn beside those of another."""

    run: str
    job: str | None
    began_ns: int
    curves: list[Curve]


class RunView(msgspec.Struct):
    """One run: its record, and how it stands while it goes on."""

    run: Run
    now: ProcedureView | None = None
    may_resume: bool = False
    """It was interrupted, and can go on when a person says so (POST /runs/{id}/resume); nothing does so by itself."""
    reference: str = ""
    """The kind of board that it is a reference for; empty: none."""
    beside: list[RunBeside] = []
    """The runs on good boards of its kind that it was compared with, the newest first; of many the newest."""


class RunBins(msgspec.Struct):
    """The course of a run in so many columns: of each its least, mean and largest current. null: no reading."""

    run: str
    role: str
    t0_ns: int
    t_s: list[float]
    """Middle of each, s after `t0_ns`."""
    low_a: list[float | None]
    mean_a: list[float | None]
    high_a: list[float | None]
    gaps: list[tuple[float, float]] = []
    """Stretches without readings, s after `t0_ns`."""


class LeadView(msgspec.Struct):
    """What the leads of an output have, as it is used now."""

    supply: str
    channel: int
    leads: LeadSet | None
    """null: nothing is known of them."""
    origin: Literal["measured", "typed", "settings", ""]
    text: str = ""
    """A sentence: how well they are known, and whether it is time to measure them again."""
    old: bool = False


class Leads(msgspec.Struct):
    """Leads of every output, and what was measured or typed before, newest first."""

    now: list[LeadView]
    kept: list[LeadSet]


class RunAsk(msgspec.Struct, frozen=True):
    """What somebody wants to be run."""

    card: str
    sides: tuple[SideChosen, ...]
    parameters: dict[str, Value] = {}
    accepted: bool = False
    """The cautions were read."""
    by: str = ""


class ProcedurePort(Protocol):
    """Every method may raise `Refused`. `by`: who asks, for the journal."""

    async def procedures(self) -> Procedures:
        """All cards."""

    async def procedure(self, name: str) -> ProcedureCard:
        """One card."""

    async def check_run(self, ask: RunAsk) -> ProcedureChecked:
        """What a run would be; switches nothing."""

    async def begin(self, ask: RunAsk) -> ProcedureView:
        """Begin a run. Raises Refused('out-of-range') with a sentence a fault, Refused('cautions') with those that were
        not accepted, Refused('wrong-state') with what uses the output."""

    async def runs(self, job: str | None, card: str | None, limit: int) -> list[RunRow]:
        """Runs, newest first."""

    async def run(self, id: str) -> RunView:
        """One run."""

    async def bins(self, id: str, role: str, columns: int) -> RunBins:
        """The course of a run, for a picture."""

    async def answer(self, id: str, name: str, value: Value, by: str = "") -> ProcedureView:
        """Answer the question of that name; refused where another one is asked by now."""

    async def point(self, id: str, text: str, photo: str, by: str = "") -> ProcedureView:
        """Say where the probe is; `photo`: id of a photo of the job, or empty."""

    async def done(self, id: str, by: str = "") -> ProcedureView:
        """Say that a live measurement, or what was waited for, is done."""

    async def stop(self, id: str, by: str = "") -> RunView:
        """End a run, its outputs off. Returns when they are; one that has ended is answered as it is."""

    async def resume(self, id: str, accepted: bool, by: str = "") -> ProcedureView:
        """Let an interrupted run go on."""

    async def make_reference(self, id: str, board: str, note: str, by: str = "") -> RunView:
        """Make a run's curves a reference for a kind of board (empty: its job's)."""

    async def leads(self) -> Leads:
        """What the leads have."""

    async def type_leads(self, leads: LeadSet) -> Leads:
        """What the leads of an output were measured to have elsewhere."""

    async def put_on_leads(self, supply: str, channel: int, name: str, by: str = "") -> Leads:
        """Which of several lead sets is on an output now."""

    def ending(self) -> None:
        """The daemon ends, and its outputs go off: runs ask for nothing any more."""

    async def close(self) -> None:
        """The daemon ends: runs that go on are ended and kept. Their outputs are off by then."""


def row_of(run: Run, may_resume: bool = False) -> RunRow:
    """A run as lists show it."""
    return RunRow(
        run.id, run.card, run.version, run.title, run.job, run.began_ns, run.ended_ns, run.outcome, run.text,
        list(run.sides), run.by, may_resume,
    )  # fmt: skip
