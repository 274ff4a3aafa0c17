"""A source that holds a voltage until the current reaches its limit, then holds the current."""

from __future__ import annotations

import enum
from dataclasses import dataclass

OPEN_S = 1e-6
"""Conductance left when nothing loads a node, in S (1 MΩ): keeps the network solvable, far below any reading."""

MODE_EDGE_A = 1e-6
"""How far past the edge of a mode the current must be to change it: rounding must not make the mode flicker."""


class Mode(enum.IntEnum):
    OFF = 0
    CV = 1
    """The voltage loop holds the set voltage behind the source resistance."""
    CC = 2
    """The current loop holds the limit."""
    IDLE = 3
    """On, but the terminals are above the set voltage: the source cannot sink, the bleeder pulls them down."""


@dataclass
class Source:
    """One output without its leads. Both loops are ideal but for the voltage loop's resistance.

    `voltage_v`, `limit_a`: what is set. `resistance_ohm`: of the voltage loop. `capacitance_f`: across the
    terminals, outside the current sensing, so its charge reaches a short unlimited and unseen, as on a real supply.
    `bleed_ohm`: across the terminals while the output is off or above its setting.
    """

    voltage_v: float = 0.0
    limit_a: float = 0.1
    on: bool = False
    resistance_ohm: float = 0.01
    capacitance_f: float = 100e-6
    bleed_ohm: float = 470.0
    mode: Mode = Mode.OFF

    def mode_at(self, terminal_v: float) -> Mode:
        """The mode this source is in, coming from its present one, with `terminal_v` at its terminals."""
        if not self.on:
            return Mode.OFF
        wanted_a = (self.voltage_v - terminal_v) / self.resistance_ohm
        if wanted_a > self.limit_a + (-MODE_EDGE_A if self.mode is Mode.CC else MODE_EDGE_A):
            return Mode.CC
        if wanted_a < (MODE_EDGE_A if self.mode is Mode.IDLE else -MODE_EDGE_A):
            return Mode.IDLE
        return Mode.CV

    def current_a(self, terminal_v: float) -> float:
        """Current through the sensing resistor in A."""
        if self.mode is Mode.CV:
            return (self.voltage_v - terminal_v) / self.resistance_ohm
        return self.limit_a if self.mode is Mode.CC else 0.0

    def conductance_s(self) -> float:
        """From the terminals to ground, as the network sees it."""
        if self.mode is Mode.CV:
            return 1 / self.resistance_ohm
        return OPEN_S if self.mode is Mode.CC else 1 / self.bleed_ohm

    def feed_a(self) -> float:
        """Current into the terminal node beside that conductance (Norton form)."""
        if self.mode is Mode.CV:
            return self.voltage_v / self.resistance_ohm
        return self.limit_a if self.mode is Mode.CC else 0.0
