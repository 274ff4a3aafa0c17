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


def caller_of(request: HTTPConnection) -> Caller:
    """Who asks this. Raises KeyError where no gate has let anybody in: nobody is somebody by default."""
    caller = request.scope[SCOPE_KEY]
    assert isinstance(caller, Caller)
    return caller
