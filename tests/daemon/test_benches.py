"""Listening to all benches: at a real broker that goes away and comes back, and only while somebody looks."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import aiomqtt
import pytest
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.reasoncodes import ReasonCode

from benchd.daemon.benches import LINGER_S, Listening
from benchd.store.mqtt_broker import Broker
from tests.services import Mosquitto, free_port
from tests.store.making import until_async
from tests.web.test_benches import state, who


async def short_sleep(seconds: float) -> None:
    await asyncio.sleep(min(seconds, 0.05))


@contextlib.asynccontextmanager
async def running(listening: Listening) -> AsyncIterator[None]:
    task = asyncio.create_task(listening.run())
    try:
        yield
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


@contextlib.asynccontextmanager
async def page(listening: Listening) -> AsyncIterator[list[dict[str, Any]]]:
    """A page that looks; all that it was sent."""
    seen: list[dict[str, Any]] = []

    async def look() -> None:
        async for message in listening.live():
            seen.append(message)

    task = asyncio.create_task(look())
    try:
        yield seen
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


async def up(port: int, bench: str, output: str, **more: Any) -> None:
    """A bench comes up at the broker."""
    async with aiomqtt.Client("127.0.0.1", port) as client:
        await client.publish(f"benchd/{bench}/psu-a/1/state", state(output, **more), qos=1, retain=True)
        await client.publish(f"benchd/{bench}/who", who(), qos=1, retain=True)
        await client.publish(f"benchd/{bench}/availability", b"online", qos=1, retain=True)


def outputs(message: dict[str, Any]) -> dict[str, str]:
    return {bench["bench"]: one["output"] for bench in message["benches"] for one in bench["outputs"]}


@pytest.mark.needs_mosquitto
async def test_it_hears_every_bench_and_believes_nothing_old_when_the_broker_was_away(tmp_path: Path) -> None:
    with Mosquitto(tmp_path / "broker") as broker:
        listening = Listening(Broker("127.0.0.1", broker.port), sleep=short_sleep)
        await up(broker.port, "south", "off")
        async with running(listening), page(listening) as seen:
            await until_async(lambda: seen != [] and outputs(seen[-1]) == {"south": "unknown"})  # the broker kept it
            await up(broker.port, "north", "on")
            await up(broker.port, "south", "off")
            await until_async(lambda: outputs(seen[-1]) == {"north": "on", "south": "off"})
            await asyncio.to_thread(broker.stop)
            await until_async(lambda: outputs(seen[-1]) == {"north": "unknown", "south": "unknown"})
            assert not seen[-1]["heard"]
            assert f"127.0.0.1:{broker.port}" in seen[-1]["text"]
            await asyncio.to_thread(broker.start)
            await until_async(lambda: seen[-1]["heard"])
            assert outputs(seen[-1]) == {"north": "unknown", "south": "unknown"}  # what it kept is of before
            await up(broker.port, "north", "off")
            await until_async(lambda: outputs(seen[-1]) == {"north": "off", "south": "unknown"})


@pytest.mark.needs_mosquitto
async def test_it_listens_only_while_somebody_looks(tmp_path: Path) -> None:
    now = 0.0
    with Mosquitto(tmp_path / "broker") as broker:
        listening = Listening(Broker("127.0.0.1", broker.port), clock=lambda: now, sleep=short_sleep)
        async with running(listening):
            await asyncio.sleep(0)
            assert not listening.heard
            async with page(listening) as seen:
                await until_async(lambda: seen != [] and listening.heard)
                await up(broker.port, "north", "on")
                await until_async(lambda: outputs(seen[-1]) == {"north": "on"})
            now += LINGER_S / 2
            assert listening.heard  # a page that is loaded anew need not wait
            now += LINGER_S
            await until_async(lambda: not listening.heard)
            async with page(listening) as seen:
                assert seen == []
                await until_async(lambda: seen != [] and seen[-1]["heard"])


async def test_a_broker_that_is_not_there_is_told_and_asked_again() -> None:
    listening = Listening(Broker("127.0.0.1", free_port()), sleep=short_sleep)
    async with running(listening), page(listening) as seen:
        await until_async(lambda: seen != [] and "nothing listens there" in seen[-1]["text"])
        assert (seen[-1]["heard"], seen[-1]["benches"]) == (False, [])


@pytest.mark.needs_mosquitto
async def test_a_user_who_may_not_listen_is_told(tmp_path: Path) -> None:
    broker = Mosquitto(tmp_path / "broker", {"shop": "secret"})
    with broker:
        wrong = Listening(Broker("127.0.0.1", broker.port, "shop", "guess"), sleep=short_sleep)
        async with running(wrong), page(wrong) as seen:
            await until_async(lambda: seen != [] and "user 'shop'" in seen[-1]["text"])
        right = Listening(Broker("127.0.0.1", broker.port, "shop", "secret"), sleep=short_sleep)
        async with running(right), page(right) as seen:
            await until_async(lambda: seen != [] and seen[-1]["heard"])


@pytest.mark.needs_mosquitto
@pytest.mark.parametrize("answer", [ReasonCode(PacketTypes.SUBACK, "Not authorized"), 0x80])  # MQTT 3.1.1 §3.9.3: 0x80
async def test_a_broker_that_does_not_let_it_listen_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, answer: Any
) -> None:
    async def refused(*_: Any, **__: Any) -> Any:
        return [answer]

    monkeypatch.setattr(aiomqtt.Client, "subscribe", refused)
    with Mosquitto(tmp_path / "broker") as broker:
        listening = Listening(Broker("127.0.0.1", broker.port, protocol="5"), sleep=short_sleep)
        async with running(listening):
            view = await listening.now()
    assert not view.heard
    assert "it does not let this user listen to benchd/+/+/+/state" in view.text
    assert "give it the right to read benchd/#" in view.text
