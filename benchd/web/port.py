"""What the web room asks of the daemon, and the shapes it shows. The daemon implements `BenchPort`."""

from __future__ import annotations

from collections.abc import AsyncIterator
from typing import Any, Protocol

import msgspec

from benchd.jobs.job import Job, JournalEntry
from benchd.reading import OutputState
from benchd.store.log import TraceRow
from benchd.traces.samples import Samples


class Refused(Exception):
    """The bench says no: not found, not in this state, or not allowed. Text is for the operator."""

    def __init__(self, code: str, message: str) -> None:
        super().__init__(message)
        self.code = code
        """not-found, wrong-state, consent-needed, out-of-range, link-down, log-down"""
        self.message = message


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


class BenchView(msgspec.Struct):
    """The whole bench, now."""

    bench: str
    t_ns: int
    job: str | None
    guard: str
    """alive, restarting, gone"""
    channels: list[ChannelView]
    followers: dict[str, dict[str, Any]]
    """Per follower: state (ok, waiting, off), backlog, text."""
    log: dict[str, Any]
    """state (ok, failing), text, waiting."""
    warnings: list[str]
    plans: list[dict[str, Any]]


class BenchPort(Protocol):
    """The daemon, as the web room sees it. Every method may raise `Refused`."""

    def view(self) -> BenchView: ...

    async def power_on(self, supply: str, channel: int, plan: str | None) -> None: ...

    async def consent(self, supply: str, key: str, who: str) -> None:
        """Consent to the unverified profile that a supply is driven by; `key`: `ChannelView.consent_key` as read.

        Again is fine. Raises Refused('wrong-state') for what is not there, or needs no consent.
        """

    async def power_off(self, supply: str | None, channel: int | None) -> None:
        """Returns once confirmed off; raises Refused('wrong-state') when it could not be confirmed."""

    async def rearm(self, supply: str, channel: int) -> None: ...

    async def mark(self, supply: str, channel: int, kind: str) -> None: ...

    async def jobs(self) -> list[Job]: ...

    async def create_job(self, job: Job) -> Job: ...

    async def choose_job(self, job: str | None) -> None: ...

    async def journal(self, job: str | None, limit: int) -> list[JournalEntry]: ...

    async def note(self, job: str | None, text: str) -> JournalEntry: ...

    async def traces(self, job: str | None, limit: int) -> list[TraceRow]: ...

    async def trace(self, trace: str) -> tuple[TraceRow, Samples]: ...

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
