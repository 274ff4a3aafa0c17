"""Who asks: set by the gate on every request, read by routes that write down who did what."""

from __future__ import annotations

import dataclasses
from enum import StrEnum

from starlette.requests import HTTPConnection

SCOPE_KEY = "benchd.caller"


class Role(StrEnum):
    """What somebody may do."""

    VIEWER = "viewer"
    """Look, and switch outputs off."""
    OPERATOR = "operator"
    """Everything."""


@dataclasses.dataclass(frozen=True, slots=True)
class Caller:
    """Somebody who was let in."""

    name: str
    """For the journal and the audit list."""
    role: Role


THIS_MACHINE = Caller("this machine", Role.OPERATOR)
"""Loopback without tokens in the settings."""
COMMAND_LINE = Caller("command line", Role.OPERATOR)
"""A command of the user whom the daemon belongs to."""


def who(request: HTTPConnection, face: str = "") -> str:
    """Who asks, for the journal: whoever has signed in, and through which face it came (empty: not told). Where nobody
    had to sign in the face says all."""
    caller = caller_of(request)
    name = "" if caller in (THIS_MACHINE, COMMAND_LINE) else caller.name
    return ", ".join(filter(None, (name, face)))


def caller_of(request: HTTPConnection) -> Caller:
    """Who asks this. Raises KeyError where no gate has let anybody in: nobody is somebody by default."""
    caller = request.scope[SCOPE_KEY]
    assert isinstance(caller, Caller)
    return caller
