"""How well a mean current is known, after the Guide to the Expression of Uncertainty in Measurement (JCGM 100:2008)."""

from __future__ import annotations

import math

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
