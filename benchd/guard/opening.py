"""Opening a supply for the guard: profile, lock, link, identification; and what the rules need to know of it.

Also the way to one that is not open here, or no more: `make_config_safe`.
"""

from __future__ import annotations

from collections.abc import Callable

import msgspec

from benchd.guard.arrays import Array
from benchd.guard.consent import consent_key
from benchd.guard.rules import Resolution
from benchd.guard.units import LOOK_AFTER_S, Look, Seeker, Units, check_unit, look_around
from benchd.guard.wire import Met, SupplyConfig
from benchd.reading import OutputState
from benchd.supplies.errors import LinkError, SupplyError
from benchd.supplies.lock import SupplyLock
from benchd.supplies.makesafe import ChannelSafe, allowed_s, make_safe
from benchd.supplies.off import OffOutcome, confirm_off
from benchd.supplies.pace import Pace
from benchd.supplies.profile import ProfileError, load_profile
from benchd.supplies.profile_tables import Profile
from benchd.supplies.supply import Supply

NOISE_STEPS = 2
"""Noise of a voltage reading in steps of its resolution. Makers choose the last digit so that it is nearly steady
(common practice, no source); a noisier supply only makes `short` wait a little longer."""

UNSTATED_SHARE = 0.02
"""A product of voltage and current may be wrong by this share where no accuracy is stated. Our choice: 1 % of each."""

RESCUE_DEADLINE_S = 1.0


def longer_s(*supplies: SupplyConfig) -> float:
    """How much longer than a quick supply the slowest of these takes until all its outputs are proved off, s."""
    longest_s = 0.0
    for config in supplies:
        try:
            profile = load_profile(config.profile)
        except ProfileError:
            continue  # it will not be opened either
        serial = config.resource.upper().startswith("ASRL")
        takes_s = allowed_s(profile, len(config.channels), serial, RESCUE_DEADLINE_S)
        longest_s = max(longest_s, takes_s - RESCUE_DEADLINE_S)
    return longest_s


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
            identity=config.identity or None,
        )
    except Exception as error:  # whatever it is, the outputs are not proved off, and the caller has to say so
        return [ChannelSafe(number, OutputState.UNKNOWN, str(error)) for number in numbers]


class OpenSupply:
    """A real supply, open.

    `family`: the profile as its file says, not fitted to the unit. `elsewhere`: another place where it answers, open,
    and the sentence about it; raises what is known. `there`: told when it answers where it was.
    """

    def __init__(
        self,
        supply: Supply,
        family: Profile,
        elsewhere: Callable[[LinkError | SupplyError, float], tuple[Supply, str]],
        there: Callable[[], None],
        moved: str = "",
    ) -> None:
        self.supply = supply
        self._family = family
        self._elsewhere = elsewhere
        self._there = there
        self._moved = moved

    @property
    def identity(self) -> str:
        """The identification as it came."""
        return self.supply.link.identity or ""

    @property
    def met(self) -> Met:
        """Who answers, by which profile, and the consent that takes."""
        family, named = self._family, self.supply.named
        maker, model, serial, firmware = named or ("", "", "", "")
        return Met(
            self.supply.link.resource,
            family.name,
            family.trust,
            self.supply.profile.notes,
            maker,
            model,
            serial,
            firmware,
            consent_key(self.supply.name, family, named),
        )

    def news(self) -> str:
        """A sentence for the operator, once: it was found at another place."""
        told, self._moved = self._moved, ""
        return told

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
        stated = output.accuracy_fraction_v + output.accuracy_fraction_a
        return Resolution(
            step,
            output.read_resolution_a,
            NOISE_STEPS * step,
            _refresh_s(profile),
            output.accuracy_offset_v,
            output.accuracy_offset_a,
            stated or UNSTATED_SHARE,
        )

    def confirm_off(self, channel: int, deadline_s: float) -> OffOutcome:
        """Prove that an output is off, or say that it is unknown."""
        return confirm_off(self.supply, channel, deadline_s)

    def reconnect(self) -> str:
        """Open the link again, in the end at another place; the identity."""
        try:
            identity = self.supply.reconnect()
        except (LinkError, SupplyError) as error:
            supply, self._moved = self._elsewhere(error, LOOK_AFTER_S)
            self.supply.close()
            self.supply = supply
            return self.identity
        self._there()
        return identity

    def close(self) -> None:
        """Close the link; switches nothing."""
        self.supply.close()


def _refresh_s(profile: Profile) -> float | None:
    refresh_ms = profile.read.refresh_ms
    return None if refresh_ms is None else refresh_ms / 1000


class Opener:
    """Opens supplies, each under its lock. A lock once held is held until the process ends, link or no link."""

    def __init__(self, lock_dir: str, look: Look = look_around) -> None:
        self._lock_dir = lock_dir
        self._look = look
        self._locks: dict[tuple[str, str], SupplyLock] = {}
        self._units = Units()
        self._seekers: dict[str, Seeker] = {}

    def open(self, config: SupplyConfig) -> OpenSupply:
        """Raises ProfileError, SupplyHeld (who holds it and since when), LinkError or SupplyError."""
        profile = load_profile(config.profile)
        self._hold(config.name, config.resource)
        seeker = self._seekers.setdefault(config.name, Seeker(config, profile, self._lock_dir, self._look))

        def elsewhere(error: LinkError | SupplyError, after_s: float) -> tuple[Supply, str]:
            found = seeker.elsewhere(error, after_s)
            self._hold(config.name, found.resource)
            supply = self._open_at(msgspec.structs.replace(config, resource=found.resource), profile)
            seeker.there()
            return supply, f"supply {config.name}: {found.text}; correct its resource in the settings"

        moved = ""
        try:
            supply = self._open_at(config, profile)
        except (LinkError, SupplyError) as error:
            supply, moved = elsewhere(error, 0.0)
        seeker.there()
        return OpenSupply(supply, profile, elsewhere, seeker.there, moved)

    def _hold(self, name: str, resource: str) -> None:
        if (name, resource) not in self._locks:
            self._locks[name, resource] = SupplyLock(self._lock_dir, resource, f"the guard of supply {name}")

    def _open_at(self, config: SupplyConfig, profile: Profile) -> Supply:
        supply = Supply.open(
            config.name,
            config.resource,
            profile,
            [channel.number for channel in config.channels],
            config.timeout_s,
            config.baud_rate,
            config.visa_library,
        )
        try:
            check_unit(supply, config)
            self._units.claim(config.name, supply.named)
        except SupplyError:
            supply.link.dirty = True  # so that no closing commands go to a unit that is not ours
            supply.close()
            raise
        return supply
