"""The newest readings of one channel, in memory: pre-roll, the open trace, and what a page that just opened shows."""

from __future__ import annotations

from collections import deque

import numpy as np

from benchd.traces.samples import Samples


class Memory:
    """Keeps readings for `keep_s` seconds of reading time. Parts may come out of order or twice (a trip's readings
    travel ahead of the block they are in); what is read out is in order and has each reading once."""

    def __init__(self, keep_s: float) -> None:
        self._keep_ns = round(keep_s * 1e9)
        self._parts: deque[Samples] = deque()
        self._small: list[Samples] = []

    def add(self, samples: Samples) -> None:
        """Append readings."""
        if not len(samples):
            return
        # Many blocks hold one reading; joined by the hundred they cost 26 bytes a reading, not a kilobyte.
        self._small.append(samples)
        if len(self._small) >= 256:
            self._parts.append(Samples.concat(self._small))
            self._small.clear()
            oldest = int(samples.t_ns[-1]) - self._keep_ns
            while self._parts and int(self._parts[0].t_ns[-1]) < oldest:
                self._parts.popleft()

    def parts(self) -> tuple[Samples, ...]:
        """What is there now, for `between` in another thread: parts are never changed, only added and dropped."""
        return (*self._parts, *self._small)


def between(parts: tuple[Samples, ...], start_ns: int, end_ns: int) -> Samples:
    """The readings with start_ns <= t < end_ns, in order, each once. A third of a second for an hour at 1000/s."""
    whole = Samples.concat(p.between(start_ns, end_ns) if _ordered(p) else p for p in parts)
    if not len(whole):
        return whole
    _, first = np.unique(whole.t_ns, return_index=True)
    return Samples(
        whole.t_ns[first],
        whole.voltage_v[first],
        whole.current_a[first],
        whole.mode[first],
        whole.flags[first],
    ).between(start_ns, end_ns)


def _ordered(part: Samples) -> bool:
    return bool(np.all(part.t_ns[1:] >= part.t_ns[:-1]))
