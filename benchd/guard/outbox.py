"""What waits to be sent to the daemon, bounded, events ahead of samples. Sending never blocks.

The rules when the daemon does not take what is offered: samples stay in their rings, where the oldest go and are
counted; events (trips, output changes, answers) wait here, MAX_EVENTS of them, and beyond that the oldest goes and
is counted. Heartbeats are not kept: only the newest says anything.
"""

from __future__ import annotations

import socket
import sys
import threading
from collections import deque
from collections.abc import Iterable

from benchd.guard.channel import Channel
from benchd.guard.framing import encode
from benchd.guard.wire import GuardBeat, Report
from benchd.reading import pack

MAX_EVENTS = 10_000
"""Trips carry up to some hundred readings, 10 kB each: at worst 100 MB after 10 000 trips that nobody took."""
FULL_BYTES = 256 * 1024
"""With this much encoded and unsent, no more is encoded: the rest waits where it can still be dropped."""


class Outbox:
    """Reports on their way out. `put` from any thread; everything else by one thread at a time."""

    def __init__(self, most_events: int = MAX_EVENTS) -> None:
        self._most = most_events
        self.dropped_events = 0
        self._events: deque[Report] = deque()
        self._beat: GuardBeat | None = None
        self._bytes = bytearray()
        self._lock = threading.Lock()

    def put(self, report: Report) -> None:
        """Add an event."""
        with self._lock:
            if len(self._events) >= self._most:
                self._events.popleft()
                self.dropped_events += 1
            self._events.append(report)

    def put_beat(self, beat: GuardBeat) -> None:
        """The newest heartbeat replaces one that was not sent."""
        self._beat = beat

    def fill(self) -> None:
        """Encode events, and the heartbeat, as far as there is room."""
        if self.dropped_events and len(self._bytes) < FULL_BYTES:
            text = f"guard: {self.dropped_events} events were dropped, the oldest, while the daemon took none"
            print(text, file=sys.stderr, flush=True)
            self.dropped_events = 0
        while self._events and len(self._bytes) < FULL_BYTES:
            with self._lock:
                report = self._events.popleft()
            self._bytes += encode(report)
        if self._beat is not None and len(self._bytes) < FULL_BYTES:
            self._bytes += encode(self._beat)
            self._beat = None

    def fill_samples(self, channels: Iterable[Channel]) -> None:
        """Encode what the rings hold, as far as there is room; what finds none stays in its ring."""
        for channel in channels:
            if len(channel.ring) and len(self._bytes) < FULL_BYTES:
                readings, dropped = channel.ring.take()
                self._bytes += encode(pack(channel.supply, channel.number, readings, dropped))

    @property
    def waiting(self) -> bool:
        """True when something is encoded or could be."""
        return bool(self._bytes or self._events or self._beat)

    def send(self, sock: socket.socket) -> None:
        """Send what the socket takes without waiting. Raises OSError when the other end is gone."""
        while self._bytes:
            try:
                sent = sock.send(self._bytes)
            except BlockingIOError:
                return
            del self._bytes[:sent]
