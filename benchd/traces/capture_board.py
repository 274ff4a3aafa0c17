"""What capture knows of the board that is, or may be, on the leads. Constant memory and time per reading."""

from __future__ import annotations

from collections import deque
from math import sqrt
from statistics import median

from benchd.traces.noise import LARGEST_A

SECOND_NS = 1_000_000_000
SPIKE_NS = 60_000_000
"""Capacitors charge for no longer than this after the clip is on (common practice, no source)."""
EDGE_NS = 100_000_000
"""Averages of instruments reach back this far, but for slow ones, of which the first few measurements are left out."""
SPIKE_A = 0.03
"""And draw this much more than twice what follows (common practice, no source)."""
TRIMMED = 0.15
"""Of the means over 1 s, this share may be bursts and lulls of a board that is settled: radios wake up now and then."""
BURST = 3.0
"""But not above this many times the middle, nor below its inverse: that is a board which starts again and again."""
HALVES = 0.5
"""The two halves may differ by this share of what is allowed altogether: a board still at work moves on."""


class Seconds:
    """Means of the current over 1 s, for as long as asked, and how much each reading scatters."""

    __slots__ = ("_last_a", "_n", "_squares", "_sum", "_until_ns", "ended")

    def __init__(self, t_ns: int) -> None:
        self.ended: deque[tuple[int, float]] = deque()
        """When each ended, ns, and its mean, A."""
        self._until_ns = t_ns + SECOND_NS
        self._n = 0
        self._sum = 0.0
        self._squares = 0.0
        self._last_a = 0.0

    def add(self, t_ns: int, current_a: float) -> tuple[float, float] | None:
        """Take a reading. When it ends a second: the mean, and its standard uncertainty by the differences of
        neighbours (their mean square is twice the variance of white noise), A."""
        if self._n:
            difference = current_a - self._last_a
            self._squares += difference * difference
        self._n += 1
        self._sum += current_a
        self._last_a = current_a
        if t_ns < self._until_ns:
            return None
        n, mean_a = self._n, self._sum / self._n
        sigma_a = sqrt(self._squares / (2 * max(n - 1, 1)))
        self.ended.append((t_ns, mean_a))
        self._until_ns = t_ns + SECOND_NS
        self._n, self._sum, self._squares = 0, 0.0, 0.0
        return mean_a, min(sigma_a, LARGEST_A) / sqrt(n)

    def forget_before(self, t_ns: int) -> None:
        """Drop seconds that ended before this moment."""
        while self.ended and self.ended[0][0] < t_ns:
            self.ended.popleft()

    def stable_since(self, fraction: float, least_a: float) -> int | None:
        """When the current became stable, ns; None: it is not. Stable: the means differ by no more than this share of
        their middle, or by no more than `least_a`, A, but for a few bursts; and do not move on from the first half to
        the second. What has not settled yet at the beginning is left out; it lies about in the middle of its second."""
        means = [mean for _, mean in self.ended]
        n = len(means)
        if n < 3:
            return None
        ordered = sorted(means)
        middle = ordered[n // 2]
        allowed = max(fraction * abs(middle), least_a)
        cut = int(TRIMMED * n)
        if ordered[-1] - ordered[0] > allowed:
            within = ordered[-1] <= BURST * middle and ordered[0] >= middle / BURST
            if not cut or not within or ordered[-1 - cut] - ordered[cut] > allowed:
                return None
            if abs(median(means[: n // 2]) - median(means[n // 2 :])) > HALVES * allowed:
                return None
        first = next(k for k, mean in enumerate(means) if abs(mean - middle) <= HALVES * allowed)
        return self.ended[first][0] - SECOND_NS - SECOND_NS // 2


class BoardWatch:
    """Times in ns, currents in A. Made anew when the leads are free again."""

    __slots__ = (
        "active_ns",
        "charged",
        "charged_at_on",
        "connected_ns",
        "drawn_long",
        "drawn_ns",
        "leak_a",
        "leak_n",
        "mean_active_ns",
        "quiet_ns",
        "rise_n",
        "rise_ns",
        "run",
        "run_ns",
        "seconds",
        "since_ns",
        "spike_a",
    )

    def __init__(self, t_ns: int) -> None:
        self.run = 0
        """Measurements in a row above the least step, the first of them at `run_ns`."""
        self.run_ns = 0
        self.active_ns = t_ns
        """Last time that anything was drawn."""
        self.quiet_ns = 0
        """How long readings have said since then that nothing is. A gap says nothing."""
        self.mean_active_ns = t_ns
        """End of the last second whose mean says that something is drawn."""
        self.drawn_ns = 0
        """First time; 0: never."""
        self.drawn_long = False
        """Not only for an inrush."""
        self.connected_ns = t_ns
        self.spike_a = 0.0
        """Largest current as it was connected."""
        self.charged = False
        """Capacitors were seen charging then: a spike well above what followed."""
        self.charged_at_on = False
        """It was connected as the output went on: what was seen may be the supply's own capacitor."""
        self.since_ns = t_ns
        """Beginning of the present state."""
        self.leak_a = 0.0
        self.leak_n = 0
        self.rise_n = 0
        """Measurements in a row above the leak, the first of them at `rise_ns`."""
        self.rise_ns = 0
        self.seconds = Seconds(t_ns)

    def see(self, t_ns: int, since_last_ns: int, above: bool, big: bool, is_new: bool, settle_ns: int) -> None:
        """Take a reading: whether it is `above` the least step, or so `big` that one is enough; both as they were, when
        it `is_new` no more."""
        if above:
            if not self.run:
                self.run_ns = t_ns
                self.run = 1
            elif is_new:
                self.run += 1
        else:
            self.run = 0
        if not (big or self.run >= 2):
            self.quiet_ns += since_last_ns if since_last_ns < SECOND_NS else SECOND_NS
            return
        self.active_ns, self.quiet_ns = t_ns, 0
        if not self.drawn_ns:
            self.drawn_ns = self.run_ns
        if self.run >= 2 and t_ns - self.run_ns > settle_ns:
            self.drawn_long = True

    def connect(self, at_ns: int, t_ns: int, current_a: float, at_on: bool) -> None:
        """Current was first seen at `at_ns`; now it is `t_ns`."""
        self.connected_ns, self.active_ns, self.mean_active_ns = at_ns, t_ns, t_ns
        self.drawn_ns = self.drawn_ns or at_ns
        self.charged_at_on = at_on
        self.spike_a = self.leak_a = current_a
        self.leak_n = min(max(self.run, 1), 2)

    def settle_leak(self, t_ns: int, current_a: float) -> None:
        """Take one of the first measurements. Capacitors still charge: the least is nearest to the leak, but for the
        very first, which may lie half before the connection."""
        self.leak_n += 1
        if self.leak_n <= 2 or t_ns - self.connected_ns <= SPIKE_NS:
            self.spike_a = max(self.spike_a, current_a)
        first = self.leak_n <= 2 or t_ns - self.connected_ns <= EDGE_NS
        self.leak_a = current_a if first else min(self.leak_a, current_a)
        self.charged = self.spike_a > 2 * self.leak_a + SPIKE_A

    def tried(self, t_ns: int, wait_ns: int, within_ns: int) -> bool:
        """Whether it drew something for a while, not longer than `within_ns`, and has stopped for `wait_ns`. A leak
        does not do that: unless the clip has come off, a start has ended."""
        lasted_ns = self.active_ns - self.connected_ns
        return self.drawn_long and not self.charged and self.quiet_ns >= wait_ns and lasted_ns <= within_ns
