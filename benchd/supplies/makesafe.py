"""The last resort: nobody holds the supply any more (or who holds it hangs), so open it and switch it off."""

from __future__ import annotations

import contextlib
import dataclasses
import time
from collections.abc import Callable, Sequence
from typing import NamedTuple

from benchd.reading import OutputState
from benchd.supplies.errors import LinkError
from benchd.supplies.link import Link
from benchd.supplies.off import confirm_off
from benchd.supplies.pace import proof_s
from benchd.supplies.profile_tables import Profile
from benchd.supplies.supply import Supply, identification

RETRY_S = 0.02
"""Between two attempts to open; a supply with one session needs a moment to notice that the last one ended."""


class ChannelSafe(NamedTuple):
    """What was reached for one output: `state` is OFF (confirmed) or UNKNOWN; `text` says why, with figures."""

    channel: int
    state: OutputState
    text: str


def allowed_s(profile: Profile, channels: int, serial: bool, deadline_s: float = 1.0) -> float:
    """How long making so many outputs safe may take, s."""
    return max(deadline_s, 2 * channels * proof_s(profile, serial))


def make_safe(
    resource: str,
    profile: Profile,
    channels: Sequence[int],
    timeout_s: float,
    baud_rate: int | None = None,
    on_step: Callable[[str], None] | None = None,
    deadline_s: float = 1.0,
    library: str = "@py",
    identity: str | None = None,
) -> list[ChannelSafe]:
    """OFF to every output over a connection of its own, then proof for each, all within about `deadline_s`.

    A family whose profile states long rests is given what the proof takes at its pace, if that is longer.

    Takes no lock, as whoever has it may be the one that hangs, and asks for no identification first: OFF is right
    for whatever answers. But a stranger's word proves nothing about this supply, so only an instrument is believed that
    gives `identity`; None where none is known: one of the family.

    Raises nothing but ProfileError for a channel that the profile does not have.
    """
    serial = resource.upper().startswith("ASRL")
    for channel in channels:
        profile.output(channel)
    # A long proof is no reason to knock for long at a supply that is not there, while others wait for a new guard.
    opened_by = time.monotonic() + deadline_s
    ends = time.monotonic() + allowed_s(profile, len(channels), serial, deadline_s)
    identify = dataclasses.replace(identification(profile), looks=profile.identity_fits)
    step = on_step or (lambda text: None)
    failure = "there was no time to try"
    while (left_s := opened_by - time.monotonic()) > 0:
        step(f"opening {resource}")
        try:
            link = Link.open(resource, profile.link, min(timeout_s, left_s), baud_rate, library, identify)
        except LinkError as error:
            failure = str(error)
            step(failure)
            time.sleep(RETRY_S)
            continue
        link.expect(identity)
        supply = Supply(resource, profile, link, channels)
        try:
            return _switched_off(supply, ends, step)
        finally:
            supply.close()
    return [ChannelSafe(channel, OutputState.UNKNOWN, failure) for channel in channels]


def _switched_off(supply: Supply, ends: float, step: Callable[[str], None]) -> list[ChannelSafe]:
    with contextlib.suppress(LinkError):
        supply.off_at_once()
    for channel in supply.channels:
        step(f"OFF to channel {channel}")
        try:
            supply.send_off(channel)
        except LinkError as error:
            step(str(error))  # the proof below tries again
    reached = []
    for done, channel in enumerate(supply.channels):
        share_s = (ends - time.monotonic()) / (len(supply.channels) - done)
        outcome = confirm_off(supply, channel, share_s, step)
        step(f"channel {channel}: {outcome.state}, {outcome.text}")
        reached.append(ChannelSafe(channel, outcome.state, outcome.text))
    return reached
