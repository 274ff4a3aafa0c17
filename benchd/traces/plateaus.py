"""Levels that last and the steps between them, in the order of time."""

from __future__ import annotations

import dataclasses
import itertools
import math

from benchd.traces.line import Line
from benchd.traces.start import Bins, Level
from benchd.traces.uncertainty import Known

LASTING_S = 0.25
"""A level as long as this is a rung of a staircase, s (common practice, no source)."""
FLAT_SHARE = 0.04
"""A level whose bins scatter by no more than this share of it is flat (common practice, no source)."""
FLAT_A = 0.003
"""Or by no more than this, A."""


@dataclasses.dataclass(frozen=True, slots=True)
class Plateau:
    """A stretch of nearly one current."""

    from_s: float
    to_s: float
    mean_a: float
    u_a: float
    """Expanded uncertainty (k = 2) of that mean, A; see `uncertainty.expanded`."""
    texture_a: float
    """Standard deviation of the bins in it, A."""
    flat: bool
    """No more texture than noise, or a few per cent, makes."""

    @property
    def length_s(self) -> float:
        """How long it lasted."""
        return self.to_s - self.from_s


@dataclasses.dataclass(frozen=True, slots=True)
class Step:
    """A change from one plateau to the next."""

    at_s: float
    from_a: float
    to_a: float
    u_a: float
    """Expanded uncertainty (k = 2) of the change, A: of noise and step alone, since accuracy is common to both."""

    @property
    def change_a(self) -> float:
        """Positive where it rises, A."""
        return self.to_a - self.from_a


def find_plateaus(line: Line, bins: Bins, levels: tuple[Level, ...], known: Known) -> tuple[Plateau, ...]:
    """Levels that last, by least-squares segmentation (`steps.change_points`)."""
    found = []
    for level in levels:
        if level.length_s < max(LASTING_S, 2 * bins.width_s):
            continue
        texture = max(3 * bins.sigma_a, FLAT_A, FLAT_SHARE * abs(level.mean_a))
        u = known.current_u(level.mean_a, line.resolution_a, line.sigma_a, _readings(line, level))
        found.append(Plateau(level.start_s, level.end_s, level.mean_a, u, level.texture_a, level.texture_a <= texture))
    return tuple(found)


def find_steps(line: Line, bins: Bins, plateaus: tuple[Plateau, ...]) -> tuple[Step, ...]:
    """Changes between one plateau and the next by more than noise and step can make."""
    least = max(4 * bins.sigma_a, 1.5 * line.resolution_a)
    noise = Known(0.0, 0.0, 0.0, 0.0)
    found = []
    for a, b in itertools.pairwise(plateaus):
        if abs(b.mean_a - a.mean_a) <= least:
            continue
        u = math.hypot(
            *(noise.current_u(p.mean_a, line.resolution_a, line.sigma_a, _readings(line, p)) for p in (a, b))
        )
        found.append(Step((a.to_s + b.from_s) / 2, a.mean_a, b.mean_a, u))
    return tuple(found)


def _readings(line: Line, part: Level | Plateau) -> int:
    """Independent measurements in it."""
    return max(round(part.length_s / line.interval_s / line.repeats), 1) if line.interval_s > 0 else 1
