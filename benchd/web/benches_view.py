"""All benches of a broker as their page shows them. None: not known."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from typing import Any, Literal, Protocol

import msgspec

Standing = Literal["online", "away", "silent", "unknown", "twice"]
"""away: the broker says that its daemon is gone; silent: nothing came for too long; unknown: nothing was heard that is
not old; twice: two daemons speak under this name."""


class TripSeen(msgspec.Struct):
    """A trip, as far as a look from the next room needs it."""

    supply: str
    channel: int
    rule: str
    text: str
    t_ns: int
    """By the bench's clock."""
    off_confirmed: bool
    job: str | None = None


class FindingSeen(msgspec.Struct):
    """What a trace was found to say."""

    supply: str
    channel: int
    signature: str
    confidence: float | None
    t_ns: int
    job: str | None = None


class OutputSeen(msgspec.Struct):
    """One output of one bench."""

    supply: str
    channel: int
    output: Literal["on", "off", "unknown"]
    """What may be believed now: on and off only when the bench is there and says so."""
    doubt: str
    """Why it is unknown; empty: it is as said."""
    last: str
    """What was said last, believed or not; empty: nothing."""
    last_ns: int | None
    """When, by the bench's clock."""
    latched: bool
    trip: TripSeen | None
    stage: str
    set_voltage_v: float | None
    limit_a: float | None
    voltage_v: float | None
    current_a: float | None
    power_w: float | None
    mode: str
    reading_age_s: float | None
    """How long ago the numbers came in; None: none came."""
    trace: str | None


class BenchSeen(msgspec.Struct):
    """One bench."""

    bench: str
    standing: Standing
    text: str
    """What is to be known of its standing; empty: all is well."""
    word_age_s: float | None
    """How long ago it was last heard; None: never, only what the broker kept."""
    job: str | None
    outputs: list[OutputSeen]
    trip: TripSeen | None
    """The newest trip that was heard of or is latched."""
    finding: FindingSeen | None
    page: str
    """Address of its own page, where it told one."""


class BenchesView(msgspec.Struct):
    """All benches, now."""

    broker: str
    """host:port"""
    heard: bool
    """Whether the broker is heard; when not, no output is known."""
    text: str
    """Why not; or what is missing here."""
    benches: list[BenchSeen]


class BenchesPort(Protocol):
    """Who listens to all benches, as the web room sees it."""

    async def now(self) -> BenchesView:
        """Once; waits until each bench that is there had time to say something."""

    def live(self) -> AsyncIterator[dict[str, Any]]:
        """Messages for one page: `benches` (a BenchesView) at once after any change, and with new numbers twice a s."""


class NoBroker:
    """Stands for it on a bench that has no broker."""

    _view = BenchesView("", False, "no broker is set: [mqtt] in benchd.toml says where all benches meet", [])

    async def now(self) -> BenchesView:
        """Says so."""
        return self._view

    async def live(self) -> AsyncIterator[dict[str, Any]]:
        """Says so, and no more."""
        yield {"type": "benches", **msgspec.to_builtins(self._view)}
        await asyncio.Event().wait()
