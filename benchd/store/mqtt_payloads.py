"""What goes over MQTT: each payload's keys with their units. The reference beside this file is made from it.

JSON objects, in UTF-8; a value that is not known is null. Times `t_ns`, `…_ns` are ns since the epoch (UTC).
"""

from __future__ import annotations

from typing import Annotated, Any

import msgspec

from benchd.traces.trace import Finding

Above0 = Annotated[float, msgspec.Meta(gt=0)]


class Who(msgspec.Struct, omit_defaults=True):
    """Which daemon speaks as this bench. A state with another `run` is of another daemon, or of an earlier time."""

    run: str
    """A random word, made anew at each start of the daemon."""
    log: str | None
    """The id of its log, with which the ids of events begin; null: not readable now."""
    version: str
    """Of benchd."""
    since_ns: int
    """When this run began."""
    page: str = ""
    """Address of the bench's own page, if it has one that others can reach; else left out."""
    host: str = ""
    """Name of its machine, as the system gives it."""
    holding: bool = True
    """false, not retained: a daemon asks whether another one speaks as this bench; that one publishes its own again."""


class Reading(msgspec.Struct, forbid_unknown_fields=True):
    """The newest reading of an output."""

    t_ns: int
    """When it was taken."""
    voltage_v: float | None
    """V"""
    current_a: float | None
    """A"""
    power_w: float | None
    """W, their product."""
    mode: str
    """cv, cc, off, unknown: what the supply holds, as it says."""
    trace: str | None
    """Id of the trace that is being recorded; null: none."""


class State(msgspec.Struct, forbid_unknown_fields=True):
    """What is known of an output. It holds only while `availability` is online and `run` is that of `who`."""

    output: str
    """on, off (read back from the supply), unknown."""
    reason: str = ""
    """Why it is so: start, asked, trip, instrument, found-on, refused, link-lost, link-back, daemon-lost, on-time, …"""
    stage: str | None = None
    """While it is on as asked: probe, hold, boot."""
    latched: bool = False
    """It has tripped, and a person has to re-arm it."""
    link_up: bool = False
    """The supply answers."""
    set_voltage_v: float | None = None
    """V, as set."""
    limit_a: float | None = None
    """A, the current limit as set."""
    job: str | None = None
    """Id of the job on the bench."""
    trip: dict[str, Any] | None = None
    """The latched trip: keys as in `trip`, and `number`, its number in the log."""
    trust: str | None = None
    """How well the supply's profile is verified: unverified, documented, simulated, recorded, used."""
    consent_needed: bool = False
    """It cannot be switched on before somebody has consented to an unverified profile."""
    procedure: str | None = None
    """Id of the procedure's run that uses it now, as in `procedure`; null: none does."""
    run: str = ""
    """The daemon's, as in `who`."""
    t_ns: int = 0
    """When this was published first."""


class Trip(msgspec.Struct, forbid_unknown_fields=True):
    """An output was cut. `_u`: expanded uncertainty (k = 2), null where the supply's accuracy is not stated; `_most`:
    upper bound, null where OFF was not confirmed."""

    id: str
    """The same for each repeat of this event, and for no other."""
    kind: str
    """trip"""
    t_ns: int
    """When it was detected."""
    job: str | None
    """Id of the job."""
    supply: str
    """Name in the settings."""
    channel: int
    """Number of the output."""
    trace: str | None
    """Id of the trace that it ended; null: none."""
    rule: str = ""
    """short, over-current, over-voltage, reverse, budget, stale, instrument, panel."""
    text: str = ""
    """A sentence, figures with units."""
    stage: str = ""
    """probe, hold, boot; empty: not known."""
    trip: int | None = None
    """Its number in the log."""
    on_ns: int | None = None
    """When the output went on."""
    onset_ns: int | None = None
    """When the fault began, as far as readings show."""
    detected_ns: int | None = None
    """The reading that decided was complete."""
    off_sent_ns: int | None = None
    """OFF was on the wire."""
    off_confirmed_ns: int | None = None
    """The supply said that it is off; null: it did not."""
    detected_after_ms: float | None = None
    """ms after the onset."""
    off_sent_after_us: float | None = None
    """µs after it was detected; null: the supply was off by itself."""
    off_confirmed: bool | None = None
    """The supply said that it is off."""
    off_confirmed_after_ms: float | None = None
    """ms after OFF was sent."""
    set_voltage_v: float | None = None
    """V, as set then."""
    limit_a: float | None = None
    """A, the limit then."""
    since_on_c: float | None = None
    """C since the output went on."""
    since_on_j: float | None = None
    """J since the output went on."""
    since_on_a2s: float | None = None
    """A²s since the output went on."""
    budget_j: float | None = None
    """J that the plan thinks harmless; null: it names none."""
    over_budget: bool | None = None
    """More than that went through."""
    let_through_c: float | None = None
    """C from the onset until OFF was confirmed, or given up."""
    let_through_c_u: float | None = None
    """C"""
    let_through_c_most: float | None = None
    """C"""
    let_through_j: float | None = None
    """J, likewise."""
    let_through_j_u: float | None = None
    """J"""
    let_through_j_most: float | None = None
    """J"""
    let_through_a2s: float | None = None
    """A²s, likewise."""
    let_through_a2s_u: float | None = None
    """A²s"""
    let_through_a2s_most: float | None = None
    """A²s"""


class Found(msgspec.Struct, forbid_unknown_fields=True):
    """A trace was filed (kind `trace`) or read again (kind `finding`), with what it says."""

    id: str
    """The same for each repeat of this event, and for no other."""
    kind: str
    """trace, finding"""
    t_ns: int
    """When it was filed, or read again."""
    job: str | None
    """Id of the job."""
    supply: str
    """Name in the settings."""
    channel: int
    """Number of the output."""
    trace: str | None
    """Id of the trace."""
    start_ns: int | None = None
    """When the trace began."""
    duration_s: float | None = None
    """s"""
    reason: str = ""
    """Why it ended: settled, removed, off, tripped, time, nothing-drawn; imported: it came from a file."""
    readings: int | None = None
    """How many it has."""
    peak_a: float | None = None
    """A, the largest reading."""
    charge_c: float | None = None
    """C, by the trapezoidal rule."""
    energy_j: float | None = None
    """J, likewise."""
    finding: Finding | None = None
    """What it says; null: it could not be read."""


class ProcedureSide(msgspec.Struct, forbid_unknown_fields=True):
    """An output that a run used."""

    role: str
    """main, or the name that the card gives it: battery, usb."""
    supply: str
    """Name in the settings."""
    channel: int
    """Number of the output."""


class ProcedureResult(msgspec.Struct, forbid_unknown_fields=True):
    """One figure or statement that a run ended in."""

    name: str
    """For programs: resistance, mean, pass_rate."""
    title: str = ""
    """For people; empty where somebody typed it, such as the name of a point."""
    value: float | str | None = None
    """In `unit`, or a word; null: it could not be measured, or somebody typed it."""
    unit: str = ""
    """Empty: none."""
    u: float | None = None
    """Half of a 95 % interval, in `unit`; null: not known, or `low` and `high` say it."""
    low: float | None = None
    """Lower end of a 95 % interval that is not symmetrical, in `unit`; null: there is none."""
    high: float | None = None
    """Its upper end."""
    verdict: str = ""
    """good, bad, unclear; empty: it was not compared."""


class Procedure(msgspec.Struct, forbid_unknown_fields=True):
    """A run of a bench procedure ended. One that was interrupted may go on, and ends again under another `id`."""

    id: str
    """The same for each repeat of this event, and for no other."""
    kind: str
    """procedure"""
    t_ns: int
    """When that was written into the log."""
    job: str | None
    """Id of the job."""
    supply: str
    """Of its first side: name in the settings."""
    channel: int
    """Of its first side: number of the output."""
    run: str
    """Id of the run."""
    card: str = ""
    """Name of the card."""
    title: str = ""
    """Of the card."""
    outcome: str = ""
    """passed, failed, done, unclear, stopped, timed-out, tripped, refused, interrupted."""
    began_ns: int | None = None
    """When it began."""
    ended_ns: int | None = None
    """When it ended."""
    sides: tuple[ProcedureSide, ...] = ()
    """All outputs that it used."""
    results: tuple[ProcedureResult, ...] = ()
    """In the order in which they were worked out."""


class Order(msgspec.Struct, forbid_unknown_fields=True):
    """A command that needs nothing more."""

    id: str
    """1 to 64 letters, digits, '.', '_', '-', beginning with a letter or digit: names the answer's topic. An id that
    comes again is answered again, and carried out once (but off)."""
    not_after_ns: int | None = None
    """Not carried out when it arrives later than this (but off)."""


class OnOrder(Order, forbid_unknown_fields=True):
    """Switch on."""

    plan: str | None = None
    """Name of a power plan; left out: the output's own."""
    voltage_v: Above0 | None = None
    """V, no more than the plan's; left out: the plan's."""
    limit_a: Above0 | None = None
    """A, no more than the plan's; left out: the plan's."""


class JobOrder(Order, forbid_unknown_fields=True, kw_only=True):
    """Put a job on the bench."""

    job: str | None
    """Id of a job that was taken in; null: none is on the bench."""


class Answer(msgspec.Struct, forbid_unknown_fields=True):
    """What became of a command."""

    id: str
    """The command's; `-` where it had none that can be used."""
    ok: bool
    """It was carried out."""
    word: str
    """The command."""
    supply: str | None
    """Where it was to be carried out; null: on the whole bench."""
    channel: int | str | None
    """Number of the output, or what was given in its place; null: the whole bench."""
    output: str
    """on, off, unknown: now. Of the whole bench: off when all are, on when one is, else unknown."""
    code: str
    """Why not: not-found, wrong-state, out-of-range, not-allowed, consent-needed, link-down, log-down, failed."""
    error: str
    """Why not, as a sentence."""


# Made here, while one thread imports: msgspec 0.22 crashes the process when two threads meet a type for the first time.
DECODE_WHO = msgspec.json.Decoder(Who)
DECODE_ORDER: dict[str, msgspec.json.Decoder[Order]] = {
    "on": msgspec.json.Decoder(OnOrder),
    "job": msgspec.json.Decoder(JobOrder),
}
"""By word; the others are `PLAIN_ORDER`."""
PLAIN_ORDER = msgspec.json.Decoder(Order)
