"""Fan-out of live messages to page clients: bounded per client, oldest samples lost first, events never silently."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import AsyncIterator
from typing import Any

from benchd.web.live import Message

ROOM = 256
"""Messages waiting per client. At 20 a second and channel this is several seconds of a stalled phone."""


class _Client:
    def __init__(self) -> None:
        self.queue: deque[dict[str, Any]] = deque()
        self.wake = asyncio.Event()
        self.lost = False

    def put(self, message: dict[str, Any]) -> None:
        if len(self.queue) >= ROOM:
            self.lost = True
            kept = [m for m in self.queue if m["type"] == "event"]
            # More than a queue of events unread: the client is gone in all but name, and is told so by `lost`.
            self.queue = deque(kept[-ROOM // 2 :])
        self.queue.append(message)
        self.wake.set()


class Hub:
    """One per daemon."""

    def __init__(self) -> None:
        self._clients: set[_Client] = set()

    def __len__(self) -> int:
        return len(self._clients)

    def deepest(self) -> int:
        """Messages that wait for the client that is furthest behind."""
        return max((len(client.queue) for client in self._clients), default=0)

    def send(self, message: dict[str, Any]) -> None:
        """To every client, without waiting. Encoded once for all of them."""
        shared = Message(message)
        for client in self._clients:
            client.put(shared)

    async def listen(self, first: dict[str, Any], again: Any) -> AsyncIterator[dict[str, Any]]:
        """Messages for one client, beginning with `first`. After a loss, `again()` makes the message that says how
        things stand now."""
        client = _Client()
        self._clients.add(client)
        try:
            yield first
            while True:
                await client.wake.wait()
                client.wake.clear()
                while client.queue:
                    if client.lost:
                        client.lost = False
                        yield again()
                    yield client.queue.popleft()
        finally:
            self._clients.discard(client)
