"""Time of readings: ns since the epoch from a monotonic anchor, so that a stepped wall clock never turns back."""

from __future__ import annotations

import time

ANCHOR_NS = time.time_ns() - time.monotonic_ns()
"""Added to `time.monotonic_ns()` it gives ns since the epoch, as the wall clock stood at the start of the process."""


def now_ns() -> int:
    """Ns since the epoch on the clock that every reading of this process uses."""
    return ANCHOR_NS + time.monotonic_ns()
