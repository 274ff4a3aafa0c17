"""Skeleton: the signatures are final, the bodies follow."""

from __future__ import annotations

from benchd.supplies.profile import LinkProfile


class LinkError(Exception):
    """The exchange with the instrument failed; nothing is known about what it did."""


class LinkLost(LinkError):
    """The connection is refused, closed or reset. The next call tries to open it again."""


class ReplyLate(LinkError):
    """No (whole) reply within the time allowed. The next query resynchronises first."""


class ReplyGarbled(LinkError):
    """Something came that is no answer to what was asked. The next query resynchronises first."""


class Link:
    """One connection. A lost or dirty link repairs itself at the next query (reopen, identify, compare)."""

    resource: str
    timeout_s: float  # may be changed at any time
    dirty: bool
    identity: str | None
    sent_ns: int  # time.monotonic_ns of the last exchange
    got_ns: int

    @classmethod
    def open(
        cls, resource: str, profile: LinkProfile, timeout_s: float, baud_rate: int | None = None, library: str = "@py"
    ) -> Link:
        raise NotImplementedError

    def write(self, text: str) -> None:
        raise NotImplementedError

    def query(self, text: str) -> str:
        raise NotImplementedError

    def identify(self) -> str:
        raise NotImplementedError

    def resync(self) -> None:
        raise NotImplementedError

    def close(self) -> None:
        raise NotImplementedError
