"""Whether this daemon may speak as its bench: two daemons with one bench name would mix up what is on and what is off.

A daemon asks before it says anything: it publishes its `who`, not retained and not `holding`. Where the broker keeps an
`online` and the `who` of another run, it waits for an answer. A living holder publishes its own `who` again; then who
asked has nothing to say. Without an answer the name is free: the other one is gone, and its broker has forgotten to
say so. Two that take the name in one moment see both `who` in one order (MQTT §4.6, ordered topics): whoever sees the
other's before its own gives way, before it has said anything of an output. Two that hold it after all (one was too busy
to answer) see each other's again and again; then the one whose run comes later in order gives way.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import time
from collections.abc import Awaitable, Callable

import aiomqtt
import msgspec

from benchd.store.mqtt_broker import BrokerError, Link, not_granted
from benchd.store.mqtt_payloads import DECODE_WHO, Who
from benchd.store.mqtt_topics import TOPICS

log = logging.getLogger(__name__)

ECHO_S = 2.0
"""How long our own question may take to come back; all that the broker keeps has come before it."""
ANSWER_S = 2.0
"""How long a living holder may take to answer."""


class NameTaken(BrokerError):
    """Another daemon speaks as this bench."""

    def __init__(self, bench: str, other: Who) -> None:
        began = time.strftime("%Y-%m-%d %H:%M UTC", time.gmtime(other.since_ns / 1e9))
        super().__init__(
            f'another daemon speaks as bench "{bench}" ({machine(other)}, since {began}); nothing of this one is '
            'published and no command is taken: give one of them another  bench = "..."  in its settings, and start '
            "it again"
        )


def machine(who: Who) -> str:
    """Where a daemon runs, for messages."""
    return f"on machine {who.host!r}, its log {who.log}"


class Presence:
    """Of one connection. Belongs to the event loop."""

    def __init__(
        self, link: Link, bench: str, who: Who, say: Callable[[], Awaitable[None]], asked: Callable[[Who], None]
    ) -> None:
        """`say`: publishes states and `online`. `asked`: another daemon wanted the name that is ours."""
        self._link, self._bench, self._who, self._say, self._asked = link, bench, who, say, asked
        self._who_topic = TOPICS["who"].of(bench=bench)
        self._availability_topic = TOPICS["availability"].of(bench=bench)
        self._echo, self._answered, self._claimed, self._again = (asyncio.Event() for _ in range(4))
        self._warned: set[str] = set()
        self._availability = b""
        self._before: Who | None = None
        self._rival: Who | None = None
        self.holding = False
        """The name is ours."""

    async def claim(self) -> str:
        """Take the name. What keeps it from being sure of that, or ''. Raises NameTaken, MqttError.

        `take` must be called meanwhile with what comes.
        """
        unseen = (
            f"the broker does not hand us {self._who_topic}: a second daemon that speaks as this bench stays unseen"
        )
        told = ""
        if not_granted(await self._link.subscribe([(self._who_topic, 1), (self._availability_topic, 1)], qos=1)):
            told = unseen
        else:
            await self._link.publish(self._who_topic, msgspec.json.encode(self._asking()), qos=1)
            if not await _within(ECHO_S, self._echo):
                told = unseen
            # Not "online" alone: one that is just taking the name has said who it is, and its `online` comes after.
            if self._availability != b"offline" and self._before is not None:
                await _within(ANSWER_S, self._answered)
        self._free()
        await self._publish_who()
        if not told:
            await _within(ECHO_S, self._claimed)
            self._free()
        self.holding = True
        return told

    def _free(self) -> None:
        if self._rival is not None:
            raise NameTaken(self._bench, self._rival)

    async def keep(self) -> None:
        """Say all again, when another daemon has asked for the name or has said that this bench is offline. Until
        cancelled."""
        while True:
            await self._again.wait()
            self._again.clear()
            await self._publish_who()
            await self._say()

    def take(self, message: aiomqtt.Message) -> bool:
        """Look at a message; False: it is none of ours. Raises NameTaken."""
        topic = message.topic.value
        payload = message.payload if isinstance(message.payload, bytes) else b""
        if topic == self._availability_topic:
            if message.retain:
                self._availability = payload
            elif payload == b"offline" and self.holding:
                log.warning("mqtt: somebody said that bench %s is offline; saying again that it is not", self._bench)
                self._again.set()
            return True
        if topic != self._who_topic:
            return False
        with contextlib.suppress(msgspec.DecodeError, UnicodeDecodeError):
            self._take_who(DECODE_WHO.decode(payload), bool(message.retain))
        return True

    def _take_who(self, other: Who, retained: bool) -> None:
        ours = self.holding or self._claimed.is_set()
        if other.run == self._who.run:
            if not retained:
                (self._claimed if other.holding else self._echo).set()
        elif retained:
            self._before = other
        elif other.holding and not ours:
            self._rival = other
            self._answered.set()
        elif other.holding and other.run in self._warned and other.run < self._who.run:
            raise NameTaken(self._bench, other)
        else:
            if other.holding:
                self._warned.add(other.run)
            if ours:
                self._asked(other)
            self._again.set()

    async def _publish_who(self) -> None:
        await self._link.publish(self._who_topic, msgspec.json.encode(self._who), qos=1, retain=True)

    def _asking(self) -> Who:
        return msgspec.structs.replace(self._who, holding=False)


async def _within(seconds: float, event: asyncio.Event) -> bool:
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(seconds):
            await event.wait()
    return event.is_set()
