"""How well a reading or a mean of readings is known.

After the Guide to the Expression of Uncertainty in Measurement (JCGM 100:2008).
"""

from __future__ import annotations

import math
from typing import NamedTuple

from benchd.traces.trace import Conditions

COVERAGE = 2.0
"""k: about 95 % (JCGM 100 §6.3, G.6.6)."""


def from_limit(limit: float) -> float:
    """Standard uncertainty of something known to lie within ± limit: limit/√3 (JCGM 100 §4.3.7). In limit's unit."""
    return limit / math.sqrt(3)


def from_step(step: float) -> float:
    """Standard uncertainty of a reading that comes in steps: step/√12 (JCGM 100 §F.2.2.1). In step's unit."""
    return step / math.sqrt(12)


def expanded(
    reading: float, fraction: float, offset: float, step: float, sigma: float = 0.0, readings: int = 1
) -> float:
    """Expanded uncertainty (k = 2) of the mean of `readings` readings, in the reading's unit.

    `fraction` and `offset`: the maker's accuracy, ± (fraction·|reading| + offset); `step`: smallest step of the
    reading; `sigma`: standard deviation of one reading. Root sum of squares (JCGM 100 §5.1.2).
    """
    accuracy = from_limit(fraction * abs(reading) + offset)
    scatter = sigma / math.sqrt(max(readings, 1))
    return COVERAGE * math.sqrt(accuracy**2 + scatter**2 + from_step(step) ** 2)


class Known(NamedTuple):
    """What a trace's conditions say of the accuracy of its readings; zeros where nothing is stated."""

    fraction_a: float
    offset_a: float
    fraction_v: float
    offset_v: float
    lead_ohm: float | None = None
    """Between where the voltage is measured and the board, Ω; None: not known."""
    lead_u_ohm: float = 0.0
    """Its expanded uncertainty (k = 2), Ω."""

    @classmethod
    def of(cls, conditions: Conditions) -> Known:
        """From the conditions of a trace."""
        c = conditions
        return cls(
            c.accuracy_fraction_a or 0.0,
            c.accuracy_offset_a or 0.0,
            c.accuracy_fraction_v or 0.0,
            c.accuracy_offset_v or 0.0,
            c.lead_ohm,
            c.lead_u_ohm or 0.0,
        )

    @property
    def current_stated(self) -> bool:
        """Whether anything is stated of current readings."""
        return self.fraction_a > 0 or self.offset_a > 0

    @property
    def voltage_stated(self) -> bool:
        """Likewise of voltage readings."""
        return self.fraction_v > 0 or self.offset_v > 0

    def current_u(self, current_a: float, step_a: float, sigma_a: float, readings: int = 1) -> float:
        """Expanded uncertainty (k = 2) of a mean current, A; without a stated accuracy from noise and step alone."""
        return expanded(current_a, self.fraction_a, self.offset_a, step_a, sigma_a, readings)

    def voltage_u(self, voltage_v: float, step_v: float, sigma_v: float, readings: int = 1) -> float:
        """The same for a voltage, V."""
        return expanded(voltage_v, self.fraction_v, self.offset_v, step_v, sigma_v, readings)
