"""How soon after a trip, and how often, an output may be re-armed. No clock: the time is an argument.

Somebody who re-arms without looking, or a script that does, feeds a fault again and again: each time little, together
enough to burn a board. So there is a pause after each trip, and a number of times within MINUTE_NS.
"""

from __future__ import annotations

import math
from collections import deque

MINUTE_NS = 60_000_000_000


class RearmBound:
    """Of one output. `pause_s`: from the trip on; `per_minute`: at most so often within a minute."""

    def __init__(self, pause_s: float, per_minute: int) -> None:
        self._pause_ns = round(pause_s * 1e9)
        self._last: deque[int] = deque(maxlen=per_minute)
        self._tripped_ns = -self._pause_ns

    def tripped(self, t_ns: int) -> None:
        """It has just tripped, or been found tripped."""
        self._tripped_ns = t_ns

    def free_from_ns(self) -> int:
        """Not before this time."""
        free_ns = self._tripped_ns + self._pause_ns
        if len(self._last) == self._last.maxlen:
            free_ns = max(free_ns, self._last[0] + MINUTE_NS)
        return free_ns

    def refusal(self, now_ns: int) -> str:
        """Why not now, with the time to wait; empty where it may be."""
        wait_s = (self.free_from_ns() - now_ns) / 1e9
        if wait_s <= 0:
            return ""
        if now_ns < self._tripped_ns + self._pause_ns:
            shown_s = math.ceil(wait_s * 10) / 10  # never "in 0.0 s"
            return (
                f"it tripped {(now_ns - self._tripped_ns) / 1e9:.1f} s ago and may be re-armed "
                f"{self._pause_ns / 1e9:g} s after that: look at the board, and re-arm in {shown_s:.1f} s"
            )
        return (
            f"it was re-armed {len(self._last)} times within a minute, which is all there is: find the cause first; "
            f"the next time is in {wait_s:.0f} s"
        )

    def rearmed(self, now_ns: int) -> None:
        """It was re-armed now."""
        self._last.append(now_ns)
