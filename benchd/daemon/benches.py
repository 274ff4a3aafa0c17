"""Listens to all benches of a broker, while somebody looks at them.

Twenty daemons that each heard the readings of twenty would be a load for nothing; so the connection is made when the
first page asks, and ends some time after the last has gone.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import secrets
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from typing import Any, cast

import aiomqtt
import msgspec

from benchd.store.follower import Backoff
from benchd.store.mqtt_broker import Broker, BrokerError, first_of, not_granted
from benchd.store.mqtt_topics import TOPICS
from benchd.web.benches import Benches
from benchd.web.benches_view import BenchesView

log = logging.getLogger("benchd")

HEARD = ("state", "who", "availability", "trip", "finding", "reading")
"""Kinds of topics, states before readings: a reading is a live word, which makes states count."""
LOOK_S = 0.1
"""How soon a change is told."""
NUMBERS_S = 0.5
"""How often numbers are told: more often nobody can read them."""
LINGER_S = 60.0
"""How long it listens on after the last page has gone: a page that is loaded anew need not wait."""
FIRST_S = 1.5
"""Within this every bench that is there has said something: readings come once a second at least."""
ANSWER_S = 5.0


class Listening:
    """One connection to a broker that only listens. `run` until cancelled; all in one event loop.

    `always`: listen whether anybody looks or not. `clock`: s that only go on. `tell`: is told why the
    broker is not heard, once for each reason.
    """

    def __init__(
        self,
        broker: Broker,
        *,
        always: bool = False,
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], Awaitable[object]] = asyncio.sleep,
        backoff: Backoff | None = None,
        tell: Callable[[str], None] = lambda text: log.warning("all benches: %s", text),
    ) -> None:
        self._broker, self._tell = broker, tell
        self._always = always
        self._clock, self._sleep = clock, sleep
        self._backoff = backoff or Backoff(longest_s=15.0)
        self._benches = Benches(broker.address)
        self._lookers = 0
        self._looked_at = clock() - LINGER_S
        self._wanted = asyncio.Event()
        self._since: float | None = None
        """Since when the broker is heard; None: it is not."""
        self._failures = 0
        if always:
            self._wanted.set()

    @property
    def heard(self) -> bool:
        """Whether the broker is heard now."""
        return self._since is not None

    async def run(self) -> None:
        """Listen while it is wanted; connect again when the connection is lost."""
        told = ""
        while True:
            await self._wanted.wait()
            try:
                await self._listen()
            except* (aiomqtt.MqttError, OSError) as group:
                text = self._broker.explain(first_of(group))
                if text != told:
                    self._tell(text)
                told = text
                self._failures += 1
                self._deaf(text)
                await self._sleep(self._backoff.next_s())
            else:
                told = ""
                self._deaf("nobody looked, so nobody listened")

    async def _listen(self) -> None:
        # Nothing waits in a queue: one that is full would drop a state, and leave the one before it standing.
        queue = cast("Any", lambda maxsize: _Straight(self._take))
        identifier = f"benchd-looks-{secrets.token_hex(6)}"
        async with await self._broker.client(identifier, queue_type=queue) as client:
            self._benches.listening()
            topics = [(TOPICS[kind].filter(), TOPICS[kind].qos) for kind in HEARD]
            granted = await client.subscribe(topics)
            if refused := not_granted(granted):
                raise BrokerError(
                    f"it does not let this user listen to {', '.join(topic for topic, _ in topics)} ({refused}): give "
                    "it the right to read benchd/#"
                )
            self._since = self._clock()
            self._backoff.reset()
            async with asyncio.TaskGroup() as group:
                lost = group.create_task(_until_lost(client), name="all benches: connection")
                await self._until_unwanted()
                lost.cancel()

    def _take(self, message: aiomqtt.Message) -> None:
        payload = message.payload if isinstance(message.payload, bytes) else b""
        self._benches.take(message.topic.value, payload, bool(message.retain), self._clock())

    def _deaf(self, text: str) -> None:
        self._since = None
        self._benches.deaf(text)

    async def _until_unwanted(self) -> None:
        while self._always or self._lookers or self._clock() - self._looked_at < LINGER_S:  # noqa: ASYNC110
            await asyncio.sleep(1.0)
        self._wanted.clear()

    @contextlib.contextmanager
    def _looking(self) -> Iterator[None]:
        self._lookers += 1
        self._wanted.set()
        try:
            yield
        finally:
            self._lookers -= 1
            self._looked_at = self._clock()

    # ---- for the page ------------------------------------------------------------------------------------------

    async def now(self) -> BenchesView:
        """See `BenchesPort.now`."""
        with self._looking():
            begun, failures = self._clock(), self._failures
            while self._clock() - begun < ANSWER_S and self._failures == failures:
                if self._since is not None and self._clock() - self._since >= FIRST_S:
                    break
                await asyncio.sleep(LOOK_S)
            return self._benches.view(self._clock())

    async def live(self) -> AsyncIterator[dict[str, Any]]:
        """See `BenchesPort.live`."""
        with self._looking():
            version, told_at = -1, self._clock() - NUMBERS_S
            while True:
                if version != self._benches.version or self._clock() - told_at >= NUMBERS_S:
                    version, told_at = self._benches.version, self._clock()
                    yield {"type": "benches", **msgspec.to_builtins(self._benches.view(told_at))}
                await asyncio.sleep(LOOK_S)


class _Straight(asyncio.Queue[aiomqtt.Message]):
    """Hands each message on where it arrives; holds none."""

    def __init__(self, take: Callable[[aiomqtt.Message], None]) -> None:
        super().__init__()
        self._hand_on = take

    def put_nowait(self, item: aiomqtt.Message) -> None:
        """In the event loop, one after the other."""
        self._hand_on(item)


async def _until_lost(client: aiomqtt.Client) -> None:
    """Raises MqttError when the connection is lost."""
    async for _ in client.messages:
        pass
