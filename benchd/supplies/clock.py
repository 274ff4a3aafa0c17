"""Time of readings: ns since the epoch from a monotonic anchor, so that a stepped wall clock never turns back.

Daemon and guard have one anchor: the daemon hands its own to each guard that it starts. So the age of a reading is
right in the daemon, and readings of two guards are in order, whatever the wall clock did meanwhile.
"""

from __future__ import annotations

import os
import time

HANDED_DOWN = "BENCHD_ANCHOR_NS"
"""Environment variable with the anchor of the process that started this one."""

ANCHOR_NS = int(os.environ.get(HANDED_DOWN) or time.time_ns() - time.monotonic_ns())
"""Added to `time.monotonic_ns()` it gives ns since the epoch, as the wall clock stood when the anchor was taken."""


def now_ns() -> int:
    """Ns since the epoch on the clock that every reading uses."""
    return ANCHOR_NS + time.monotonic_ns()
