"""Charge, energy and I²t of a current as its readings come in. Constant time and memory, no I/O, no clock.

By the trapezoid rule over the readings. Between the last reading before OFF and the moment OFF was sent the last values
are held (`hold_until`), since nothing suggests that they fell.
"""

from __future__ import annotations

NS = 1_000_000_000


class LetThrough:
    """Charge ∫i dt in C, energy ∫v·i dt in J, and ∫i² dt in A²s, since `t_ns`."""

    __slots__ = ("_current", "_power", "_t_ns", "charge_c", "energy_j", "square_a2s")

    def __init__(self, t_ns: int, voltage_v: float, current_a: float) -> None:
        self._t_ns = t_ns
        self._current = current_a
        self._power = voltage_v * current_a
        self.charge_c = 0.0
        self.energy_j = 0.0
        self.square_a2s = 0.0

    def add(self, t_ns: int, voltage_v: float, current_a: float) -> None:
        """Go on to a later point; one that is not later replaces the last values and adds nothing."""
        power = voltage_v * current_a
        if t_ns > self._t_ns:
            half_s = (t_ns - self._t_ns) / (2 * NS)
            self.charge_c += (self._current + current_a) * half_s
            self.energy_j += (self._power + power) * half_s
            self.square_a2s += (self._current * self._current + current_a * current_a) * half_s
            self._t_ns = t_ns
        self._current = current_a
        self._power = power

    def hold_until(self, t_ns: int) -> None:
        """Hold the last values up to `t_ns`."""
        if t_ns > self._t_ns:
            seconds = (t_ns - self._t_ns) / NS
            self.charge_c += self._current * seconds
            self.energy_j += self._power * seconds
            self.square_a2s += self._current * self._current * seconds
            self._t_ns = t_ns
