"""How often somebody may do something."""

from __future__ import annotations

import time
from collections import OrderedDict
from collections.abc import Callable

MOST_KEYS = 1024
"""Those whom nothing was heard of for the longest are forgotten: strangers must not fill the memory."""
ROUNDING = 1e-6
"""Whoever waited as long as was said is not told to wait for another instant."""


class Rates:
    """`at_once` times in one stretch, and `per_s` times a second in the long run, for each key by itself."""

    def __init__(self, at_once: float, per_s: float, clock: Callable[[], float] = time.monotonic) -> None:
        self._at_once, self._per_s, self._clock = at_once, per_s, clock
        self._left: OrderedDict[str, tuple[float, float]] = OrderedDict()

    def take(self, key: str) -> float:
        """0.0 where it may be done now, and then it counts; else how long to wait, s."""
        now = self._clock()
        left, at = self._left.pop(key, (self._at_once, now))
        left = min(self._at_once, left + max(0.0, now - at) * self._per_s)
        wait_s = 0.0 if left >= 1 - ROUNDING else (1 - left) / self._per_s
        self._left[key] = (left if wait_s else left - 1, now)
        if len(self._left) > MOST_KEYS:
            self._left.popitem(last=False)
        return wait_s
