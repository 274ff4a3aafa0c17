"""Live messages to page clients: all in order while they read, bounded and told of the loss when they do not."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from typing import Any

from benchd.daemon.hub import ROOM, Hub
from benchd.web.live import Message


def message(kind: str, number: int) -> dict[str, Any]:
    return {"type": kind, "number": number}


async def opened(hub: Hub) -> AsyncIterator[dict[str, Any]]:
    """A client that has had its first message."""
    client = hub.listen({"type": "bench", "number": -1}, lambda: {"type": "bench", "number": -2})
    assert (await anext(client))["number"] == -1
    return client


async def read(client: AsyncIterator[dict[str, Any]], count: int) -> list[dict[str, Any]]:
    async with asyncio.timeout(5):
        return [await anext(client) for _ in range(count)]


async def test_every_client_gets_every_message_in_order() -> None:
    hub = Hub()
    clients = [await opened(hub) for _ in range(3)]
    for n in range(10):
        hub.send(message("samples", n))
    for client in clients:
        assert [m["number"] for m in await read(client, 10)] == list(range(10))
        await client.aclose()  # type: ignore[attr-defined]


async def test_a_client_that_has_gone_is_forgotten() -> None:
    hub = Hub()
    assert not hub
    client = await opened(hub)
    assert hub
    await client.aclose()  # type: ignore[attr-defined]
    assert not hub
    hub.send(message("event", 1))


async def test_a_client_that_is_cancelled_while_it_waits_is_forgotten() -> None:
    hub = Hub()
    client = await opened(hub)
    waiting = asyncio.ensure_future(anext(client))
    await asyncio.sleep(0)
    waiting.cancel()
    await asyncio.gather(waiting, return_exceptions=True)
    assert not hub


async def test_a_client_that_stalls_keeps_its_events_and_is_told_how_things_stand() -> None:
    hub = Hub()
    stalled, quick = await opened(hub), await opened(hub)
    for n in range(10 * ROOM):
        hub.send(message("event" if n % 50 == 0 else "samples", n))
        await read(quick, 1)
    events = [n for n in range(10 * ROOM) if n % 50 == 0]
    first = (await read(stalled, 1))[0]
    assert first == {"type": "bench", "number": -2}  # after a loss: the whole bench again, before anything older
    got = []
    while not got or got[-1]["number"] != 10 * ROOM - 1:
        got += await read(stalled, 1)
        assert len(got) <= ROOM
    assert [m["number"] for m in got if m["type"] == "event"] == events
    assert [m["number"] for m in got] == sorted(m["number"] for m in got)


async def test_a_client_that_reads_nothing_for_days_has_bounded_room() -> None:
    hub = Hub()
    client = await opened(hub)
    for n in range(100 * ROOM):
        hub.send(message("event", n))
    assert (await read(client, 1))[0]["number"] == -2
    got = []
    while not got or got[-1]["number"] != 100 * ROOM - 1:
        got += await read(client, 1)
    assert len(got) <= ROOM  # the newest events; that some are missing was said by the `bench` before them
    assert [m["number"] for m in got] == list(range(100 * ROOM - len(got), 100 * ROOM))


async def test_a_message_becomes_text_once_for_all_clients() -> None:
    hub = Hub()
    one, other = [await opened(hub) for _ in range(2)]
    hub.send(message("samples", 1))
    (first,), (second,) = await read(one, 1), await read(other, 1)
    assert isinstance(first, Message)
    assert first is second
    assert first.text == '{"type":"samples","number":1}'
    for client in (one, other):
        await client.aclose()  # type: ignore[attr-defined]
