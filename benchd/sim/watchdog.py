"""The watch over the link that some supplies have: outputs off when no message came for a while.

Any message counts, on any connection, but those to the bench itself (SIMulate). Nothing at the panel does.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf


@dataclass
class Watchdog:
    """`delay_s`: how long it waits, s. `tripped` stays until cleared."""

    delay_s: float = 60.0
    enabled: bool = False
    tripped: bool = False
    fed_s: float = 0.0

    @property
    def due_s(self) -> float:
        """When it trips unless a message comes, on the clock of `feed`."""
        return self.fed_s + self.delay_s if self.enabled and not self.tripped else inf

    def feed(self, now_s: float) -> None:
        """A message came."""
        self.fed_s = now_s

    def trips(self, now_s: float) -> bool:
        """Whether it trips now; only once."""
        if now_s < self.due_s:
            return False
        self.tripped = True
        return True
