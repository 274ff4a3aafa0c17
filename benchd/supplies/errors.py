"""What can go wrong between us and a supply.

LinkError            the exchange failed; nothing is known about what the instrument did
├── LinkLost         refused, closed, reset, unplugged: the next call tries to open it again
├── ReplyLate        no whole reply within the time allowed: the next query resynchronises first
└── ReplyGarbled     something came that is no answer to what was asked: likewise
    └── AnotherUnit  the identification of another instrument than before
SupplyError          the instrument answered in good order, but not as asked
SupplyHeld           another process holds this supply
"""

from __future__ import annotations


class LinkError(Exception):
    """An exchange with `resource` failed. `asked` is the message, `waited_ms` the time spent on it."""

    def __init__(self, resource: str, what: str, asked: str = "", waited_ms: float = 0.0) -> None:
        self.resource = resource
        self.asked = asked
        self.waited_ms = waited_ms
        on = f" on {asked!r}" if asked else ""
        super().__init__(f"{resource}{on}: {what} (after {waited_ms:.1f} ms)")


class LinkLost(LinkError):
    """The connection is refused, closed or reset. The next call tries to open it again."""


class ReplyLate(LinkError):
    """No (whole) reply within the time allowed. The next query resynchronises first."""


class ReplyGarbled(LinkError):
    """Something came that is no answer to what was asked. The next query resynchronises first."""


class AnotherUnit(ReplyGarbled):
    """Another instrument answers than the one that was there before."""


class SupplyError(Exception):
    """The instrument answered, but not as asked: says what was asked, what came back, the unit and what to do."""


class SupplyHeld(Exception):
    """Another process holds this supply; says its pid, name and since when."""
