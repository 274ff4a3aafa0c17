"""The bounded buffer between a sampler and the sender.

The drop rule: the capacity is fixed; when the ring is full the oldest reading goes and is counted, so what is
left is always the newest stretch without a hole in it. The count is handed over with the next batch, so the
readings of a channel are accounted for as handed over or as dropped, never lost without a word.
"""

from __future__ import annotations

import threading
from collections import deque

from benchd.reading import Reading

DEFAULT_CAPACITY = 8192
"""Eight seconds at 1000 readings/s; at about 200 bytes a reading 1.6 MB per channel."""


class Ring:
    """Readings of one channel. One thread adds, another takes."""

    def __init__(self, capacity: int = DEFAULT_CAPACITY) -> None:
        if capacity < 1:
            raise ValueError(f"a ring must hold at least 1 reading, asked for {capacity}")
        self.capacity = capacity
        self._items: deque[Reading] = deque(maxlen=capacity)
        self._dropped = 0
        self._lock = threading.Lock()

    def __len__(self) -> int:
        return len(self._items)

    def add(self, reading: Reading) -> None:
        """Add the newest reading; the oldest is dropped and counted when the ring is full."""
        with self._lock:
            items = self._items
            if len(items) == self.capacity:
                self._dropped += 1
            items.append(reading)

    def take(self) -> tuple[list[Reading], int]:
        """Everything held, oldest first, and how many were dropped just before; the ring is empty afterwards."""
        with self._lock:  # held for a swap only: the sampler must not wait for a copy
            items, self._items = self._items, deque(maxlen=self.capacity)
            dropped, self._dropped = self._dropped, 0
        return list(items), dropped
