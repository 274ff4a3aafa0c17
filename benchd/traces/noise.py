"""The current reading's noise and step, learnt while readings come in. Constant memory and time per reading."""

from __future__ import annotations

from math import sqrt
from statistics import median

GRID_A = (0.01, 0.005, 0.002, 0.001, 0.0005, 0.0002, 0.0001)
"""Steps that current readings of bench supplies come in, A, coarsest first (common practice, no source)."""
SIGMA_PER_MAD = 1.482602
"""Standard deviation of a normal distribution over its median absolute deviation (1/Φ⁻¹(3/4))."""
WARM_UP = 8
"""Readings before the noise is believed at all."""
WARM_UP_VALUES = 5
"""Different ones among them, where they differ: an instrument may repeat itself."""
WARM_UP_S = 0.3
"""So long at least, s: the same."""
WARM_UP_MOST_S = 2.0
"""After so long what has come has to do, s."""
LARGEST_A = 0.02
"""A noise above this is movement of the board and not of the instrument, A (common practice, no source)."""
WARM_UP_PAUSE_NS = 3_000_000_000
"""After a pause as long as this it begins again: a board was on the leads meanwhile."""
_SMALLEST_A = 1e-5
_RATE = 0.02
CLIP = 2.5
"""Deviations count as no more than this many standard deviations: one that is far off is no noise."""
_CLIPPED = 0.97756
"""Mean of min(z², CLIP²) over a standard normal z: erf(c/√2) − c·√(2/π)·exp(−c²/2) + c²·erfc(c/√2) at c = CLIP, for
which a clipped mean square of normal noise is too small."""


class NoiseFloor:
    """Feed it measurements of a quiet line, each with its distance from the level it should lie at.

    The mean square of the deviations is followed, each clipped at `CLIP` standard deviations as known so far (Huber's
    way to a scale, any text on robust statistics). A median would not do: where most readings lie on one step of a
    coarse instrument it is 0, however often the next one is seen. Rounding to steps adds step²/12, as it should.
    Deviations from the level and not differences of neighbours are used, because of instruments that repeat themselves.
    """

    __slots__ = (
        "_given",
        "_grid",
        "_heads",
        "_n",
        "_var",
        "_warm",
        "_warm_from_ns",
        "_warm_until_ns",
        "ready",
        "resolution_a",
    )

    def __init__(self, resolution_a: float | None = None) -> None:
        self._given = resolution_a is not None and resolution_a > 0
        self.resolution_a = resolution_a if resolution_a is not None and resolution_a > 0 else GRID_A[0]
        """Step of the reading, A: as given, else the coarsest usual one that all readings so far lie on."""
        self._grid = 0
        self._var = _SMALLEST_A**2
        self._n = 0
        self._warm = 0
        self._heads: list[float] = []
        self._warm_from_ns = 0
        self._warm_until_ns = -WARM_UP_PAUSE_NS - 1
        self.ready = False

    @property
    def sigma_a(self) -> float:
        """Standard deviation of the noise, A."""
        return sqrt(self._var)

    @property
    def at_most_a(self) -> float:
        """The same, and as much more as it may be while few measurements are known."""
        return sqrt(self._var) * (1 + 4 / max(self._n, 4) if self.ready else 1)

    def warm_up(self, t_ns: int, current_a: float) -> float | None:
        """Take one of the first readings. The level they lie at, A, once there are enough."""
        if t_ns - self._warm_until_ns > WARM_UP_PAUSE_NS:
            self._warm, self._heads, self._warm_from_ns = 0, [], t_ns
        heads = self._heads
        self._warm_until_ns = t_ns
        self._warm += 1
        if (not heads or current_a != heads[-1]) and len(heads) < WARM_UP:
            heads.append(current_a)
        passed_s = (t_ns - self._warm_from_ns) / 1e9
        if self._warm < WARM_UP or passed_s < WARM_UP_S:
            return None
        if 1 < len(heads) < WARM_UP_VALUES and passed_s < WARM_UP_MOST_S:
            return None
        level = median(heads)
        mad_a = median(abs(x - level) for x in heads)
        # Where most lie on one step the median is 0, and what the others say counts, up to a step.
        rest_a = sqrt(sum(min(abs(x - level), self.resolution_a) ** 2 for x in heads) / len(heads))
        self._var = min(max(SIGMA_PER_MAD * mad_a, rest_a, _SMALLEST_A), LARGEST_A) ** 2
        self._n = len(heads) if len(heads) > 1 else self._warm
        self.ready = True
        self._warm, self._heads = 0, []
        return level

    def see(self, current_a: float) -> None:
        """Take any reading, for the step only."""
        if self._given:
            return
        while self._grid < len(GRID_A) - 1:
            steps = current_a / GRID_A[self._grid]
            if abs(steps - round(steps)) < 1e-3:
                return
            self._grid += 1
            self.resolution_a = GRID_A[self._grid]

    def add(self, deviation_a: float) -> None:
        """Take a quiet measurement's distance from its level, A."""
        self._n += self.ready
        var = self._var
        square = deviation_a * deviation_a
        # One step up or down is always the instrument's.
        clipped = max(CLIP * CLIP * var, self.resolution_a * self.resolution_a)
        if square > clipped:
            square = clipped
        rate = 1 / (self._n + 5) if self.ready and self._n < 45 else _RATE
        var += rate * (square / _CLIPPED - var)
        self._var = min(max(var, _SMALLEST_A * _SMALLEST_A), LARGEST_A * LARGEST_A)
