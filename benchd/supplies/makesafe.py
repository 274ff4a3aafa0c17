"""Skeleton: the signatures are final, the bodies follow."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

from benchd.reading import OutputState
from benchd.supplies.profile import Profile


class ChannelSafe(NamedTuple):
    """What make-safe reached for one output. `state` is OFF (confirmed) or UNKNOWN."""

    channel: int
    state: OutputState
    text: str


def make_safe(
    resource: str,
    profile: Profile,
    channels: Sequence[int],
    timeout_s: float,
    baud_rate: int | None = None,
    on_step: Callable[[str], None] | None = None,
    deadline_s: float = 1.0,
    library: str = "@py",
) -> list[ChannelSafe]:
    """Open a link of its own, OFF to every channel first, then confirm each. Never raises; takes no lock."""
    raise NotImplementedError
