"""The current reading's noise and step, learnt while readings come in. Constant memory and time per reading."""

from __future__ import annotations

from statistics import median

GRID_A = (0.01, 0.005, 0.002, 0.001, 0.0005, 0.0002, 0.0001)
"""Steps that current readings of bench supplies come in, A, coarsest first (common practice, no source)."""
SIGMA_PER_MAD = 1.482602
"""Standard deviation of a normal distribution over its median absolute deviation (1/Φ⁻¹(3/4))."""
WARM_UP = 8
"""Readings before the noise is believed at all."""
LARGEST_A = 0.02
"""A noise above this is movement of the board and not of the instrument, A (common practice, no source)."""
_SMALLEST_A = 1e-5
_RATE = 0.02


class NoiseFloor:
    """Feed it readings of a quiet line, each with the level it should lie at.

    The median of the absolute deviations is followed by a step up or down of 2 % per reading, which settles where as
    many deviations are larger as are smaller: a median without a memory of readings. Deviations from the level and not
    differences of neighbours are used, because an instrument that is asked faster than it measures repeats itself.
    """

    def __init__(self, resolution_a: float | None = None) -> None:
        self._given = resolution_a is not None and resolution_a > 0
        self.resolution_a = resolution_a if resolution_a is not None and resolution_a > 0 else GRID_A[0]
        """Step of the reading, A: as given, else the coarsest usual one that all readings so far lie on."""
        self._grid = 0
        self._mad_a = _SMALLEST_A
        self._warm: list[float] = []
        self.ready = False

    @property
    def sigma_a(self) -> float:
        """Standard deviation of the noise, A."""
        return SIGMA_PER_MAD * self._mad_a

    def warm_up(self, current_a: float) -> float | None:
        """Take one of the first readings. The level they lie at, A, once there are enough."""
        self.see(current_a)
        self._warm.append(current_a)
        if len(self._warm) < WARM_UP:
            return None
        level = median(self._warm)
        self._mad_a = min(max(median(abs(x - level) for x in self._warm), _SMALLEST_A), LARGEST_A)
        self.ready = True
        self._warm = []
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
        """Take a quiet reading's distance from its level, A."""
        if abs(deviation_a) > self._mad_a:
            self._mad_a = min(self._mad_a * (1 + _RATE), LARGEST_A)
        else:
            self._mad_a = max(self._mad_a * (1 - _RATE), _SMALLEST_A)
