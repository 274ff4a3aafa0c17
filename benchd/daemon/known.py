"""What is known of each output beforehand: by its family's profile, and by its unit once that said who it is."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from benchd.daemon.promise import Pace
from benchd.guard.opening import NOISE_STEPS
from benchd.guard.rules import Resolution
from benchd.settings import Supply
from benchd.supplies.pace import reading_s, round_s
from benchd.supplies.profile import fitted, load_profile
from benchd.supplies.profile_outputs import OutputRange
from benchd.supplies.profile_tables import Profile
from benchd.traces.trace import Conditions

Accuracies = dict[tuple[str, int], Conditions]
"""By supply and channel."""


class Expected(NamedTuple):
    """What a family's profile leads to expect of one output."""

    pace: Pace
    resolution: Resolution
    rest_s: float
    """What the supply wants before an order to an output, s."""


class Known:
    """The profiles as they were when the daemon started, so that a file changed since makes no difference here."""

    def __init__(self, supplies: Sequence[Supply]) -> None:
        """Raises ProfileError."""
        self._profiles = {supply.name: load_profile(supply.profile) for supply in supplies}
        self._numbers = {supply.name: tuple(channel.number for channel in supply.channel) for supply in supplies}

    def families(self) -> Accuracies:
        """Before anybody has answered: what holds for the whole family."""
        return {
            key: found for name, profile in self._profiles.items() for key, found in self._of(name, profile).items()
        }

    def unit(self, supply: str, identity: str) -> Accuracies:
        """For the unit with this identification. Its options are not asked for: no figure gets better by them here."""
        profile = self._profiles[supply]
        named = profile.identity.named(identity)
        return self._of(supply, profile if named is None else fitted(profile, named))

    def senses(self, supply: str, identity: str, channel: int) -> bool:
        """Whether sense leads of an output of the unit with this identification can be switched from here."""
        profile = self._profiles[supply]
        named = profile.identity.named(identity)
        return (profile if named is None else fitted(profile, named)).senses(channel)

    def expected(self, supply: Supply, interval_ms: float) -> dict[tuple[str, int], Expected]:
        """How the outputs of a supply will be read, once every `interval_ms` at most."""
        profile, serial = self._profiles[supply.name], supply.resource.upper().startswith("ASRL")
        interval_s = max(interval_ms / 1e3, round_s(profile, len(supply.channel), serial))
        pace = Pace(interval_s, interval_s, reading_s(profile, serial), measured=False)
        link = profile.link
        rest_s = max(link.output_gap_ms, link.set_gap_ms, link.gap_ms, link.serial.gap_ms if serial else 0.0) / 1e3
        found = {}
        for number in self._numbers[supply.name]:
            if number in profile.channel_numbers:
                output = profile.output(number)
                step_v = output.read_resolution_v
                noise_v, refresh_s = NOISE_STEPS * step_v, _s(profile.read.refresh_ms)
                resolution = Resolution(step_v, output.read_resolution_a, noise_v, refresh_s)
                found[supply.name, number] = Expected(pace, resolution, rest_s)
        return found

    def _of(self, supply: str, profile: Profile) -> Accuracies:
        # A small model has fewer outputs than its family; the guard refuses the others in words of its own.
        has = profile.channel_numbers
        return {(supply, n): measured(profile.output(n)) for n in self._numbers[supply] if n in has}


def measured(output: OutputRange) -> Conditions:
    """How well an output's readings are known, as its profile says. Zeros in a profile: not stated."""
    return Conditions(
        resolution_a=output.read_resolution_a,
        resolution_v=output.read_resolution_v,
        accuracy_fraction_a=output.accuracy_fraction_a or None,
        accuracy_offset_a=output.accuracy_offset_a or None,
        accuracy_fraction_v=output.accuracy_fraction_v or None,
        accuracy_offset_v=output.accuracy_offset_v or None,
    )


def _s(refresh_ms: float | None) -> float | None:
    return None if refresh_ms is None else refresh_ms / 1e3
