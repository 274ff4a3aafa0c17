"""What is shown of who is let in. Times in ns since the epoch."""

from __future__ import annotations

import msgspec


class May(msgspec.Struct, frozen=True):
    """What one may do."""

    look: bool
    off: bool
    change: bool


class Me(msgspec.Struct, frozen=True):
    """Who one is to the bench. No session: it neither began nor ends."""

    name: str
    role: str
    """viewer, operator"""
    since_ns: int | None
    until_ns: int | None
    can: May
    note: str
    """What is to be known about this connection; empty: nothing."""


class SessionView(msgspec.Struct, frozen=True):
    """Somebody who is signed in."""

    id: str
    name: str
    role: str
    since_ns: int
    until_ns: int
    paired: bool
    """By a code, and not by a token."""


class SignedOut(msgspec.Struct, frozen=True):
    """`signed_out`: there was a session to end."""

    signed_out: bool


class PairingView(msgspec.Struct, frozen=True):
    """A code that lets one phone in, once, within so many seconds; and where the page is."""

    code: str
    seconds: float
    addresses: list[str]
    role: str
