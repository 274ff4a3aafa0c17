"""Parts of a board whose current does not follow its voltage in a straight line, and its second side.

A `Curve` says what a part takes from the board's input at a voltage, beside the resistors and the running load, and how
steeply that rises. Levels are common practice of the trade, no source; the shapes are those of any textbook.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, exp, inf, log, log2
from typing import Protocol

THERMAL_V = 0.02585
"""k·T/q at 300 K, V (CODATA constants; from memory)."""

SLOPES_PER_OCTAVE = 2
"""Slopes are rounded to so many steps an octave: each new one means a network to be solved."""


class Curve(Protocol):
    """Current into a part, A, at the board's own voltage and at that of its other side, V."""

    def current_a(self, board_v: float, other_v: float) -> float: ...

    def slope_s(self, board_v: float, other_v: float) -> float:
        """dI/dV, S: only how soon the model comes to rest goes by it, not where."""
        ...


@dataclass(frozen=True)
class Diode:
    """I = Is·(e^(V/(n·Vt)) - 1) (Shockley equation)."""

    saturation_a: float
    ideality: float = 1.0

    def current_a(self, board_v: float, other_v: float) -> float:
        return self.saturation_a * (exp(min(board_v / (self.ideality * THERMAL_V), 60.0)) - 1)

    def slope_s(self, board_v: float, other_v: float) -> float:
        volts = self.ideality * THERMAL_V
        return self.saturation_a / volts * exp(min(board_v / volts, 60.0))


@dataclass(frozen=True)
class Breakdown:
    """Nothing below a voltage, a resistor above it; the corner is as soft as `soft_v`, V."""

    volts: float
    ohm: float
    soft_v: float = 0.02

    def current_a(self, board_v: float, other_v: float) -> float:
        over = (board_v - self.volts) / self.soft_v
        bent = over if over > 40.0 else log(1 + exp(over))
        return self.soft_v * bent / self.ohm

    def slope_s(self, board_v: float, other_v: float) -> float:
        over = (board_v - self.volts) / self.soft_v
        return 1 / self.ohm / (1 + exp(-over)) if over > -40.0 else 0.0


@dataclass(frozen=True)
class ChargerOutput:
    """The battery side of a board with a charger: while its other side is fed, it pushes current out at the battery's
    terminals, up to a voltage."""

    amps: float
    full_v: float = 4.2
    from_v: float = 4.0
    """Its other side has to have so much."""
    taper_ohm: float = 0.1

    def current_a(self, board_v: float, other_v: float) -> float:
        if other_v < self.from_v or board_v >= self.full_v:
            return 0.0
        return -min(self.amps, (self.full_v - board_v) / self.taper_ohm)

    def slope_s(self, board_v: float, other_v: float) -> float:
        tapers = other_v >= self.from_v and self.full_v - self.amps * self.taper_ohm < board_v < self.full_v
        return 1 / self.taper_ohm if tapers else 0.0


@dataclass(frozen=True)
class ChargerInput:
    """The USB side of such a board: takes a constant current above a voltage."""

    amps: float
    from_v: float = 4.0

    def current_a(self, board_v: float, other_v: float) -> float:
        return self.amps if board_v >= self.from_v else 0.0

    def slope_s(self, board_v: float, other_v: float) -> float:
        return 0.0


@dataclass(frozen=True)
class Leaking:
    """A switch that should keep the two sides apart and does not: what the other side has comes through `ohm`."""

    ohm: float

    def current_a(self, board_v: float, other_v: float) -> float:
        return (board_v - other_v) / self.ohm if other_v > board_v else 0.0

    def slope_s(self, board_v: float, other_v: float) -> float:
        return 1 / self.ohm if other_v > board_v else 0.0


def rounded_slope_s(slope_s: float) -> float:
    """The slope on a grid, never less than it is, so that the model stays stable; S. Too little to matter is 0."""
    if not 1e-6 < slope_s < inf:
        return 0.0
    return float(2.0 ** (ceil(log2(slope_s) * SLOPES_PER_OCTAVE) / SLOPES_PER_OCTAVE))
