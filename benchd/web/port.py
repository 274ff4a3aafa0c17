"""What the web room asks of the daemon, and the shapes it shows. The daemon implements `BenchPort`."""

from __future__ import annotations

from collections.abc import AsyncIterator
from typing import Any, BinaryIO, Literal, Protocol

import msgspec

from benchd.jobs.job import Job, JournalEntry, State
from benchd.reading import OutputState
from benchd.store.follower_rows import RejectedRow
from benchd.store.log import TraceRow
from benchd.store.reference_rows import Reference
from benchd.traces.comparison import Comparison
from benchd.traces.picture_look import Kind
from benchd.traces.samples import Samples
from benchd.traces.trace import Divergence
from benchd.web.procedure_port import ProcedureView

TraceForm = Literal["csv", "parquet", "lines"]
"""How a trace goes out as a file."""


class Refused(Exception):
    """The bench says no: not found, not in this state, or not allowed. Text is for the operator."""

    def __init__(self, code: str, message: str, present: Any = None) -> None:
        super().__init__(message)
        self.code = code
        """not-found, wrong-state, stale, cautions, consent-needed, out-of-range, link-down, log-down"""
        self.message = message
        self.present = present
        """With `stale`: what is there now, JSON-able, so that whoever went by an old state sees the new one."""


class ChannelView(msgspec.Struct):
    """One output as the page shows it, now. None: not known."""

    supply: str
    channel: int
    output: OutputState
    link_up: bool
    link_text: str
    plan: str
    set_voltage_v: float | None
    limit_a: float | None
    voltage_v: float | None
    current_a: float | None
    power_w: float | None
    mode: str
    reading_age_s: float | None
    rate_per_s: float
    capture: str
    """Capture state: off, waiting, connected, booting, settled, filed."""
    trace: str | None
    latched: bool
    trip: dict[str, Any] | None
    """The latched trip: rule, text, detected_ns, off_confirmed, let_through_j ..."""
    identity: str = ""
    """What the supply said that it is, as it came."""
    model: str = ""
    """Maker and model; empty until it was met."""
    firmware: str = ""
    profile: str = ""
    trust: str = ""
    """How well its profile is verified: unverified, documented, simulated, recorded, used."""
    notes: list[str] = []
    """What the profile has to say to the operator."""
    consent_key: str = ""
    """Not empty: power goes on only after consent to what has this key (POST /supplies/{supply}/consent)."""
    consent_text: str = ""
    """What the operator is asked to consent to."""
    stage: str = ""
    """When on as asked: probe, hold, boot."""
    stage_by_hand: bool = False
    """The stage goes on only when somebody says so (POST …/next)."""
    on_s: float | None = None
    """How long it has been on, s."""
    probe: dict[str, Any] | None = None
    """Of the last power-on: resistance_ohm, uncertainty_ohm (k = 2; null: not known), least_ohm, passed, text."""
    leak: dict[str, Any] | None = None
    """Of the last power-on: current_a, uncertainty_a (k = 2), expected_a, in_limit, text."""
    rearm_wait_s: float | None = None
    """When latched: so long until it may be re-armed; 0: now."""
    second_layer: list[str] = []
    """What the supply protects by itself, as read back."""
    health: dict[str, Any] | None = None
    """How its readings come in: interval_ms, jitter_ms, worst_ms, round_trip_ms, overrun_ms (newest second, and
    worst_minute_ms)."""
    promise: dict[str, Any] | None = None
    """How soon a short is cut: cut_within_ms, asked_ms (the plan's; null: none), kept, limit_a, text."""
    version: int = 0
    """Another one whenever what somebody decides by has changed: output, stage, plan, latch, trip, link, consent."""
    marks: list[dict[str, Any]] = []
    """Of the power-up that is being caught, or was last: kind, t_ns, by."""
    finding: dict[str, Any] | None = None
    """What the last filed power-up says: trace, job, t_ns (its end), signature, confidence, evidence, next_check,
    caution (a sentence each; empty: none). Null: none since the daemon was started, or another power-up has begun."""
    lead_ohm: float | None = None
    """While on, where known: between where the voltage is measured and the board, Ω. At the board are
    voltage_v - current_a · lead_ohm."""


class PlanView(msgspec.Struct):
    """A power plan, and what follows from it."""

    name: str
    origin: str
    """shipped, settings (stands in benchd.toml), own (a file of its own, editable here)."""
    overrides: str
    """The origin of the plan of the same name that this one stands before; empty: none."""
    values: dict[str, Any]
    """The plan's keys as in its file, units in their names."""
    cautions: list[str]
    """Sentences to read before power goes on: power class, and what goes with its voltage."""
    version: str = ""
    """Changes with the plan; say it as `seen` with a change."""


class TripRow(msgspec.Struct):
    """One trip of the log."""

    number: int
    supply: str
    channel: int
    job: str | None
    trace: str | None
    figures: dict[str, Any]
    """As in the event `trip`."""


class TripReadings(msgspec.Struct):
    """The readings around a trip, as columns; t_ms counts from the moment of the decision."""

    t_ms: list[float]
    voltage_v: list[float]
    current_a: list[float]
    mode: list[str]
    marks: dict[str, float | None]
    """onset, detected, off_sent, off_confirmed, in ms on the same scale; null: never."""


class ReferenceAdded(msgspec.Struct):
    """A reference that was kept."""

    reference: Reference
    doubt: str
    """What speaks against it; empty: nothing."""


class JobForgotten(msgspec.Struct):
    """A job whose owner's data was taken out of the log."""

    job: str
    """Its id from now on."""
    notes: int
    """Notes of people that went."""
    traces: int
    """Traces that stay."""
    rows: int
    """Rows of readings that stay."""
    left: str
    """What is still to be done about the log's files; empty: nothing of it is left in them."""
    photos: int = 0
    """Photos that went."""


class BandView(msgspec.Struct):
    """A trace against the references of its board, and their band as columns for a plot. `t_s`: s after the trace's
    start; `mean_a`, and where the next good board would lie (k = 2), A; null: no reference reaches there."""

    references: int
    why_not: str = ""
    """Why it is not compared with them; empty: it was."""
    compared_s: float = 0.0
    similarity: float | None = None
    divergence: Divergence | None = None
    t_s: list[float] = []
    mean_a: list[float | None] = []
    low_a: list[float | None] = []
    high_a: list[float | None] = []
    ratios: dict[str, dict[str, float]] = {}
    """busy, settled, as far as known: current_a, reference_a, ratio, u (k = 2), from_s and to_s after the button."""


class NearTrace(msgspec.Struct):
    """A past trace, and how far it is from the one asked about, A."""

    trace: TraceRow
    distance_a: float


class Nearest(msgspec.Struct):
    """The nearest past traces, nearest first."""

    nearest: list[NearTrace]
    waiting: int
    """Traces of earlier versions that were not looked at yet; ask again."""


class BenchView(msgspec.Struct):
    """The whole bench, now."""

    bench: str
    t_ns: int
    job: str | None
    guard: str
    """alive, restarting, gone"""
    channels: list[ChannelView]
    followers: dict[str, dict[str, Any]]
    """Per follower: state (ok, waiting, stopped), text, backlog, lag_s, rejected, last_ok_ns."""
    log: dict[str, Any]
    """state (ok, failing), text, waiting."""
    warnings: list[str]
    """All that the operator must know now, `alarms` among it."""
    plans: list[dict[str, Any]]
    alarms: list[dict[str, Any]] = []
    """What happened lately and need not be so any more, the newest last: text, at_ns (on the clock of readings)."""
    checks_open: list[str] = []
    """Checks before power that are open for the job on the bench: to be read before power goes on; they forbid nothing.
    """
    procedures: list[ProcedureView] = []
    """Runs of procedures that go on, the oldest first."""


class BenchPort(Protocol):
    """The daemon, as the web room sees it. Every method may raise `Refused`."""

    def view(self) -> BenchView: ...

    def metrics(self, accept: str) -> tuple[bytes, str]:
        """The bench's own figures for a metrics server, and their content type; `accept`: the header, as it came."""

    async def power_on(
        self,
        supply: str,
        channel: int,
        plan: str | None,
        *,
        voltage_v: float | None = None,
        limit_a: float | None = None,
        by: str = "",
    ) -> None:
        """With a plan (None: the channel's own), or with less voltage or less limit than it says; never with more."""

    async def advance(self, supply: str, channel: int, by: str = "") -> None:
        """End the stage `hold`: raise the limit to that of the boot."""

    async def consent(self, supply: str, key: str, who: str) -> None:
        """Consent to the unverified profile that a supply is driven by; `key`: `ChannelView.consent_key` as read.

        Again is fine. Raises Refused('wrong-state') for what is not there, or needs no consent.
        """

    async def power_off(self, supply: str | None, channel: int | None) -> None:
        """Returns once confirmed off; raises Refused('wrong-state') when it could not be confirmed."""

    async def rearm(self, supply: str, channel: int, by: str = "") -> None:
        """Release the latch. `by`: page, foot-switch, command-line, mqtt ... for the journal."""

    def plans(self) -> list[PlanView]: ...

    async def save_plan(self, name: str, values: dict[str, Any], *, seen: str | None = None, by: str = "") -> PlanView:
        """Make or change a plan of one's own. `seen`: the version that was read; `by`: who asks, for the journal.

        Raises Refused('out-of-range') with one sentence a fault, or Refused('stale').
        """

    async def delete_plan(self, name: str, *, seen: str | None = None, by: str = "") -> None:
        """Delete a plan of one's own; the shipped one of that name is there again. `seen`: the version that was read.

        Raises Refused('stale') with the present one, Refused('wrong-state'), Refused('not-found').
        """

    async def trips(self, job: str | None, limit: int) -> list[TripRow]: ...

    async def trip(self, number: int) -> tuple[TripRow, TripReadings]: ...

    async def mark(self, supply: str, channel: int, kind: str) -> None: ...

    async def jobs(
        self, text: str = "", *, state: State | None = None, board: str | None = None, limit: int = 1000
    ) -> list[Job]:
        """The newest jobs to which all that is given applies: with each word of `text`, in a state, of a board."""
        ...

    async def create_job(self, job: Job, by: str = "") -> Job:
        """Take a device in; one without an id gets the next free one."""
        ...

    async def choose_job(self, job: str | None, by: str = "") -> None:
        """Put a job on the bench. `by`: who asks, for the journal; here and below empty: nobody had to say."""

    async def forget_job(self, job: str, by: str = "") -> JobForgotten:
        """Take its owner's data out, its id among it, and keep the traces. Not for the job that is on the bench, and
        not while an output is on: Refused('wrong-state')."""

    async def journal(self, job: str | None, limit: int) -> list[JournalEntry]: ...

    async def rejected(self, follower: str, limit: int) -> list[RejectedRow]:
        """What the server of a follower (or one stream of it) refused for good. Raises Refused('not-found')."""

    async def note(self, job: str | None, text: str, by: str = "") -> JournalEntry: ...

    async def traces(
        self,
        job: str | None,
        limit: int,
        *,
        board: str | None = None,
        signature: str | None = None,
        since_ns: int | None = None,
        until_ns: int | None = None,
    ) -> list[TraceRow]:
        """Filed traces, newest first, to which all that is given applies; since_ns <= start < until_ns."""

    async def trace_row(self, trace: str) -> TraceRow: ...

    async def trace(self, trace: str) -> tuple[TraceRow, Samples]: ...

    async def trace_file(self, trace: str, form: TraceForm) -> BinaryIO:
        """A filed trace as a file, to be read from its beginning and closed."""

    async def job_file(self, job: str, with_csv: bool, without_person: bool) -> BinaryIO:
        """A whole job as an archive; the same."""

    async def mark_trace(self, trace: str, kind: str, at_s: float | None, by: str = "") -> TraceRow:
        """Set or move a mark by hand, s after the trace's start (None: take it away), and read the trace again."""

    async def references(self, board: str | None) -> list[Reference]: ...

    async def add_reference(self, trace: str, board: str, note: str, by: str = "") -> tuple[Reference, str]:
        """Make a trace a reference for a kind of board (empty: its job's); what speaks against it comes back too."""

    async def remove_reference(self, trace: str, by: str = "") -> Reference: ...

    async def compare(self, trace: str, earlier: str | None) -> Comparison:
        """With an earlier trace; None: with the one before it of the same job."""

    async def band(self, trace: str) -> BandView:
        """Against the references of its board, itself left out."""

    async def nearest(self, trace: str, count: int, board: str | None) -> Nearest: ...

    async def picture(self, trace: str, kind: Kind) -> bytes:
        """Of a trace, with the references of its board, as a file's content."""

    async def recent(self, supply: str, channel: int, seconds: float) -> Samples:
        """Readings of the last seconds still in memory, for a page that just opened."""

    def live(self) -> AsyncIterator[dict[str, Any]]:
        """Messages for one page client, each a JSON-able object with `type`:

        `bench` (a BenchView, at most 5/s and at once after any state change), `samples` (supply, channel, t_ms
        offsets, v, i; at most 20/s, min-max thinned), `event` (kind: trip, trace, output, link, journal, job,
        consent; payload).
        Bounded: a client that does not read loses the oldest samples, never events silently: after a loss it gets
        `bench` again.
        """
