"""The wrong way round: voltage or current below zero."""

from __future__ import annotations

import dataclasses

import numpy as np

from benchd.traces.line import Line

BACKWARDS_A = 0.005
"""A current below zero by less may be a meter's zero, A (common practice, no source)."""


@dataclasses.dataclass(frozen=True, slots=True)
class Reversed:
    """The terminals are pulled below zero while the supply drives current into them: a board or its cell is connected
    the wrong way round, or another source is on the leads. No resistance does that, so V/I says nothing here."""

    at_s: float
    lasts_s: float
    readings: int
    share: float
    """Of the readings with current from then on."""
    voltage_v: float
    """Median, below 0."""
    current_a: float
    """Median."""


def find_reversed(line: Line) -> Reversed | None:
    """The first lasting stretch of it; None without one."""
    hits = np.flatnonzero(line.reversed)
    if not len(hits):
        return None
    first = int(hits[0])
    flows = line.current_a[first:] > line.seen_a
    during = line.reversed[first:]
    return Reversed(
        float(line.t_s[first]),
        float(line.t_s[hits[-1]] - line.t_s[first]),
        len(hits),
        float(during[flows].mean()),
        float(np.median(line.voltage_v[hits])),
        float(np.median(line.current_a[hits])),
    )


def backwards_share(line: Line) -> float:
    """Share of the readings with a current below zero, 0 to 1: the board feeds the supply, or the meter's leads are
    swapped."""
    if not len(line.current_a):
        return 0.0
    least = max(BACKWARDS_A, 5 * line.sigma_a, 2 * line.resolution_a)
    return float(np.mean(line.current_a < -least))
