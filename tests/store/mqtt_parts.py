"""A consumer at a real broker, and a follower that is made for tests."""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import AsyncIterator
from typing import Any

import aiomqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from benchd.store.mqtt import MqttFollower
from benchd.store.mqtt_broker import Broker
from benchd.store.writer import LogWriter
from tests.services import Mosquitto


class Listener:
    """A consumer with a session of its own: what it subscribed to outlives a restart of the broker."""

    def __init__(
        self,
        broker: Mosquitto,
        topics: str = "benchd/#",
        protocol: aiomqtt.ProtocolVersion | None = None,
        user: str | None = None,
        password: str | None = None,
    ) -> None:
        self._broker, self._topics = broker, topics
        self._more: dict[str, Any] = {"clean_session": False, "username": user, "password": password}
        if protocol == aiomqtt.ProtocolVersion.V5:
            kept = Properties(PacketTypes.CONNECT)
            kept.SessionExpiryInterval = 3600
            self._more = {"protocol": protocol, "clean_start": False, "properties": kept}
        self.messages: list[aiomqtt.Message] = []
        self.connected = False

    async def run(self) -> None:
        while True:
            try:
                async with aiomqtt.Client(
                    "127.0.0.1", self._broker.port, identifier="listener", **self._more
                ) as client:
                    await client.subscribe(self._topics, qos=1)
                    self.connected = True
                    async for message in client.messages:
                        self.messages.append(message)
            except aiomqtt.MqttError:
                self.connected = False
                await asyncio.sleep(0.05)

    def on(self, end: str) -> list[Any]:
        """Payloads of the topics with this end; JSON ones decoded."""
        found = [m for m in self.messages if str(m.topic).endswith(end)]
        return [json.loads(m.payload) if m.payload[:1] == b"{" else m.payload.decode() for m in found]


@contextlib.asynccontextmanager
async def running(*parts: MqttFollower | Listener) -> AsyncIterator[None]:
    tasks = [asyncio.create_task(part.run()) for part in parts]
    try:
        yield
    finally:
        for task in tasks:
            task.cancel()
        results = await asyncio.gather(*tasks, return_exceptions=True)
        assert [r for r in results if not isinstance(r, asyncio.CancelledError)] == []


async def short_sleep(seconds: float) -> None:
    await asyncio.sleep(min(seconds, 0.05))


def make(
    writer: LogWriter,
    broker: Mosquitto,
    way: Broker | None = None,
    follower: type[MqttFollower] = MqttFollower,
    **more: Any,
) -> MqttFollower:
    """`way`: how the broker is spoken to; None: as benchd does where the settings say nothing."""
    way = way or Broker("127.0.0.1", broker.port, protocol="5")
    return follower(writer.path, writer, bench="bench-1", broker=way, sleep=short_sleep, **more)
