"""Opening a supply for the guard: profile, lock, link, identification; and what the rules need to know of it.

Also the way to one that is not open here, or no more: `make_config_safe`.
"""

from __future__ import annotations

from benchd.guard.arrays import Array
from benchd.guard.rules import Resolution
from benchd.guard.wire import SupplyConfig
from benchd.reading import OutputState
from benchd.supplies.lock import SupplyLock
from benchd.supplies.makesafe import ChannelSafe, make_safe
from benchd.supplies.off import OffOutcome, confirm_off
from benchd.supplies.pace import Pace
from benchd.supplies.profile import load_profile
from benchd.supplies.supply import Supply

NOISE_STEPS = 2
"""Noise of a voltage reading in steps of its resolution. Makers choose the last digit so that it is nearly steady
(common practice, no source); a noisier supply only makes `short` wait a little longer."""

RESCUE_DEADLINE_S = 1.0


def make_config_safe(config: SupplyConfig, deadline_s: float = RESCUE_DEADLINE_S) -> list[ChannelSafe]:
    """`make_safe` for a supply as the guard knows it. Never raises."""
    numbers = [channel.number for channel in config.channels]
    try:
        profile = load_profile(config.profile)
        return make_safe(
            config.resource,
            profile,
            numbers,
            config.timeout_s,
            config.baud_rate,
            deadline_s=deadline_s,
            library=config.visa_library,
        )
    except Exception as error:  # whatever it is, the outputs are not proved off, and the caller has to say so
        return [ChannelSafe(number, OutputState.UNKNOWN, str(error)) for number in numbers]


class OpenSupply:
    """A real supply, open."""

    def __init__(self, supply: Supply, identity: str) -> None:
        self.supply = supply
        self.identity = identity

    @property
    def protects_over_voltage(self) -> bool:
        """From the profile."""
        protection = self.supply.profile.over_voltage
        return protection is not None and protection.set_level is not None

    @property
    def pace(self) -> Pace:
        """From the rests in the profile."""
        serial = self.supply.link.resource.upper().startswith("ASRL")
        return Pace.of(self.supply.profile, len(self.supply.channels), serial)

    def arrays(self) -> dict[int, Array]:
        """Of the channels whose family can hand back many readings at a time."""
        found = {channel: self.supply.array(channel) for channel in self.supply.channels}
        return {channel: array for channel, array in found.items() if array is not None}

    def resolution(self, channel: int) -> Resolution:
        """From the profile."""
        profile = self.supply.profile
        output = profile.output(channel)
        step = output.read_resolution_v
        return Resolution(step, output.read_resolution_a, NOISE_STEPS * step, profile.read.refresh_ms / 1000)

    def confirm_off(self, channel: int, deadline_s: float) -> OffOutcome:
        """Prove that an output is off, or say that it is unknown."""
        return confirm_off(self.supply, channel, deadline_s)

    def reconnect(self) -> str:
        """Open the link again; the identity."""
        return self.supply.reconnect()

    def close(self) -> None:
        """Close the link; switches nothing."""
        self.supply.close()


class Opener:
    """Opens supplies, each under its lock. A lock once held is held until the process ends, link or no link."""

    def __init__(self, lock_dir: str) -> None:
        self._lock_dir = lock_dir
        self._locks: dict[str, SupplyLock] = {}

    def open(self, config: SupplyConfig) -> OpenSupply:
        """Raises ProfileError, SupplyHeld (who holds it and since when), LinkError or SupplyError."""
        profile = load_profile(config.profile)
        if config.name not in self._locks:
            owner = f"the guard of supply {config.name}"
            self._locks[config.name] = SupplyLock(self._lock_dir, config.resource, owner)
        supply = Supply.open(
            config.name,
            config.resource,
            profile,
            [channel.number for channel in config.channels],
            config.timeout_s,
            config.baud_rate,
            config.visa_library,
        )
        return OpenSupply(supply, supply.link.identity or "")
