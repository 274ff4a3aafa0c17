"""Skeleton: the signatures are final, the bodies follow."""

from __future__ import annotations

from collections.abc import Sequence

from benchd.reading import Reading
from benchd.supplies.link import Link
from benchd.supplies.profile import Profile


class SupplyError(Exception):
    """The instrument answered, but not as asked: says what was asked, what came back, the unit and what to do."""


class Supply:
    """One programmable supply. Every method raises LinkError or SupplyError and nothing else.

    Not for use by two threads at once.
    """

    name: str
    profile: Profile
    link: Link
    channels: tuple[int, ...]

    def __init__(self, name: str, profile: Profile, link: Link, channels: Sequence[int]) -> None:
        raise NotImplementedError

    @classmethod
    def open(
        cls,
        name: str,
        resource: str,
        profile: Profile,
        channels: Sequence[int],
        timeout_s: float,
        baud_rate: int | None = None,
        library: str = "@py",
    ) -> Supply:
        """Open the link and identify; changes no output."""
        raise NotImplementedError

    def identify(self) -> str:
        """`*IDN?`, checked against the profile; drains old errors. The link remembers it for resynchronising."""
        raise NotImplementedError

    def reconnect(self) -> str:
        """Close, open again, identify, compare with before. For the caller's own retry loop after LinkLost."""
        raise NotImplementedError

    def prepare(self, channel: int, voltage_v: float, limit_a: float, over_voltage_v: float | None = None) -> None:
        """Output confirmed off, then limit, voltage, protection, each read back. SupplyError on any mismatch."""
        raise NotImplementedError

    def output_on(self, channel: int) -> None:
        """Switch on and confirm by query; SupplyError when the instrument says it is not on."""
        raise NotImplementedError

    def send_off(self, channel: int) -> None:
        """Write OFF at once, waiting for nothing; confirms nothing. LinkLost when it cannot be written."""
        raise NotImplementedError

    def output_state(self, channel: int) -> bool:
        """True: the instrument says the output is on."""
        raise NotImplementedError

    def minimise(self, channel: int) -> None:
        """Voltage and limit to the smallest settings, written without reading back."""
        raise NotImplementedError

    def read(self, channel: int) -> Reading:
        """One reading. Flag.GAP when the previous read of this channel failed."""
        raise NotImplementedError

    def errors(self) -> list[tuple[int, str]]:
        """Drain the error queue (at most 32 entries), oldest first; empty where the profile has none."""
        raise NotImplementedError

    def close(self) -> None:
        """Close the link. Switches nothing."""
        raise NotImplementedError
