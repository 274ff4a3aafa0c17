"""What one reading of a supply can tell apart, and how far it may be wrong."""

from __future__ import annotations

from typing import NamedTuple

UNKNOWN_REFRESH_S = 0.1
"""Readings are renewed at least so often where nothing is stated, s. Common practice, no source: displays and remote
readings of bench supplies are renewed some ten times a second or more."""


class Resolution(NamedTuple):
    """Of one supply's readings. The accuracies are those that its maker states; 0 where nothing is stated."""

    voltage_v: float = 0.001
    """One step of a voltage reading, V."""
    current_a: float = 0.001
    """One step of a current reading, A."""
    noise_v: float = 0.002
    """Noise of a voltage reading, V: largest deviation to be expected, not rms."""
    refresh_s: float | None = 0.0
    """The instrument renews its readings this often, s; asked faster, it repeats itself. 0: each is new. None: not
    known; a reading that is the same as the one before may then be as old as the first of them, up to
    UNKNOWN_REFRESH_S."""
    zero_v: float = 0.0
    """Largest error of a reading of 0 V, beside its steps, V."""
    zero_a: float = 0.0
    """The same of a current, A."""
    share: float = 0.0
    """A product of voltage and current may be wrong by this share of it, beside what the zeros make of it."""

    @property
    def oldest_s(self) -> float:
        """How old what is read may be, s."""
        return UNKNOWN_REFRESH_S if self.refresh_s is None else self.refresh_s

    @property
    def rise_margin_v(self) -> float:
        """Largest error of the difference between two voltage readings, V."""
        return 2 * (self.voltage_v + self.noise_v)
