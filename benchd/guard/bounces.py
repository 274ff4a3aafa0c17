"""A short that lets go again and again, so that each episode ends before its hold. Constant time.

Time with the voltage collapsed is summed up, and a quarter of the time in between taken off again. A start uses up no
more of it than charging takes, so more than that, in BOUNCES episodes or more, is no start. Time is counted times the
limit that held meanwhile, A·ns, since limits may change under way.
"""

from __future__ import annotations

BOUNCES = 4
BOUNCE_LEAK = 0.25
"""Of the time between collapsed stretches this share is taken off the collapsed time. Our choice."""


class Bounces:
    """Of one output."""

    __slots__ = ("_ans", "_down", "count")

    def __init__(self) -> None:
        self.forget()

    def forget(self) -> None:
        """Begin anew from here."""
        self.count, self._ans, self._down = 0, 0.0, False

    def feed(
        self, since_ns: int, down: bool, gives_a: float, most_ans: float, refresh_ns: int
    ) -> tuple[int, float] | None:
        """Take a reading; how often and for how many A·ns it has been down, where that is no start.

        One that is not down may be left out while `count` is 0. `since_ns`: from the reading before, 0 without one.
        `gives_a`: the limit, A. `most_ans`: what a start may take. `refresh_ns`: how old the reading may be.
        """
        was_down, self._down = self._down, down
        if down and not was_down:
            self.count += 1
        since_ans = gives_a * since_ns
        if down or was_down:
            self._ans += since_ans if down and was_down else since_ans / 2
        else:
            self._ans -= BOUNCE_LEAK * since_ans
            if self._ans <= 0:
                self.forget()
        if self.count < BOUNCES or self._ans - gives_a * refresh_ns <= most_ans:
            return None
        return self.count, self._ans
