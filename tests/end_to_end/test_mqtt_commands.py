"""Commands over a real broker to a whole daemon: the supply's own truth says what they did."""

from __future__ import annotations

import asyncio
import contextlib
import json
from pathlib import Path
from typing import Any

import aiomqtt
import msgspec
import pytest

from benchd.store.log import Log
from benchd.store.mqtt_topics import TOPICS
from tests.running import Bench, running, until
from tests.services import Mosquitto
from tests.simulated import SimulatedSupply

pytestmark = pytest.mark.needs_mosquitto


def fits(message: aiomqtt.Message) -> None:
    """The topic is one of the reference's, and its payload has the keys and types that it names, and no others."""
    (kind,) = [kind for kind in TOPICS if TOPICS[kind].levels(message.topic.value) is not None]
    payload = TOPICS[kind].payload
    assert isinstance(message.payload, bytes)
    if payload is None:
        assert message.payload in (b"online", b"offline")
    elif not kind.endswith("command"):
        msgspec.json.decode(message.payload, type=payload)
        assert set(json.loads(message.payload)) <= set(payload.__struct_fields__)
    SEEN.add(kind)


SEEN: set[str] = set()


class Remote:
    """Somebody far away who gives orders and waits for the answers."""

    def __init__(self, client: aiomqtt.Client, name: str = "n") -> None:
        self._client = client
        self._name = name
        self._number = 0

    async def do(self, word: str, payload: dict[str, Any] | None = None, place: str = "s/1/") -> dict[str, Any]:
        self._number += 1
        id_ = f"{self._name}{self._number}"
        await self._client.publish(f"benchd/tried/do/{place}{word}", json.dumps({"id": id_} | (payload or {})), qos=1)
        return await self.answer(id_)

    async def answer(self, id_: str) -> dict[str, Any]:
        async with asyncio.timeout(30):
            async for message in self._client.messages:
                fits(message)
                if message.topic.value == f"benchd/tried/done/{id_}":
                    assert isinstance(message.payload, bytes)
                    assert not message.retain
                    return dict(json.loads(message.payload))
        raise AssertionError("the connection ended")


async def test_power_from_afar_within_the_plan(tmp_path: Path) -> None:
    with SimulatedSupply(board1="clean") as sim, Mosquitto(tmp_path / "broker") as broker:
        extra = f'[guard]\nrearm_pause_s = 0.5\n[mqtt]\nhost = "127.0.0.1"\nport = {broker.port}\ncommands = true\n'
        with running({"s": Bench(sim.resource, 5.0, "benchd-sim", timeout_ms=800.0)}, extra, folder=tmp_path) as daemon:
            until(lambda: daemon.call("GET", "bench")["followers"]["mqtt"]["state"], lambda s: s == "ok", "the broker")
            async with aiomqtt.Client("127.0.0.1", broker.port) as client:
                await client.subscribe("benchd/tried/#", qos=1)
                remote = Remote(client)
                too_much = await remote.do("on", {"voltage_v": 4.9})
                assert (too_much["ok"], too_much["code"]) == (False, "out-of-range")
                assert not sim.truth(1).output
                await _job(remote, daemon)  # before the output goes on: a power-up is of the job of its beginning
                on = await remote.do("on", {"voltage_v": 3.5, "limit_a": 1.5})
                assert (on["ok"], on["output"], on["error"]) == (True, "on", "")
                assert sim.truth(1).output
                view = daemon.channel("s")
                assert (view["set_voltage_v"], view["limit_a"]) == (3.5, 1.5)
                assert (await remote.do("button"))["ok"] is True
                # A retained on is what the broker hands to whoever comes next; it must not be an order.
                await client.publish("benchd/tried/do/s/1/on", b'{"id": "kept"}', qos=1, retain=True)
                assert (await remote.answer("kept"))["ok"] is False
                off = await remote.do("off", place="")
                assert (off["ok"], off["output"], off["supply"]) == (True, "off", None)
                assert not sim.truth(1).output
                await asyncio.to_thread(broker.stop)
                await asyncio.to_thread(broker.start)
            async with aiomqtt.Client("127.0.0.1", broker.port) as client:
                await client.subscribe("benchd/tried/#", qos=1)
                await _heard(Remote(client, "later-"))
                assert not sim.truth(1).output
                await client.publish("benchd/tried/do/s/1/on", b"", qos=1, retain=True)
                await _trip_and_rearm(Remote(client, "again-"), sim, daemon)
                ended = await _measured(client, sim, daemon)
                assert (ended["card"], ended["outcome"]) == ("lead-resistance", "done")
                assert ended["results"][0]["value"] == pytest.approx(0.0501, abs=0.001)
        with Log.open(daemon.log_file, read_only=True) as log:
            (rearmed,) = log.journal(kinds=["re-arm"])
            (chosen,) = log.journal(kinds=["job-chosen"])
            (marked, *_) = [t for t in log.traces() if any(m.by == "hand" for m in t.marks)]
    assert rearmed.payload["by"] == "mqtt"
    assert chosen.job == "R-7"
    assert [m.kind for m in marked.marks if m.by == "hand"] == ["button"]
    assert marked.job == "R-7"
    assert set(TOPICS) == SEEN


async def _heard(remote: Remote) -> None:
    """Ask until an answer comes: what is sent before the daemon is back at the broker does not reach it."""
    async with asyncio.timeout(30):
        while True:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(1):
                    assert (await remote.do("off", place=""))["ok"] is True
                    return


async def _job(remote: Remote, daemon: Any) -> None:
    unknown = await remote.do("job", {"job": "R-7"}, place="")
    assert (unknown["ok"], unknown["code"]) == (False, "not-found")
    await asyncio.to_thread(daemon.call, "POST", "jobs", {"id": "R-7"})
    assert (await remote.do("job", {"job": "R-7"}, place=""))["ok"] is True
    assert daemon.call("GET", "bench")["job"] == "R-7"


async def _trip_and_rearm(remote: Remote, sim: SimulatedSupply, daemon: Any) -> None:
    sim.board(1, "dead-short")
    await remote.do("on")
    await asyncio.to_thread(daemon.until, "s", latched=True, output="off")
    refused = await remote.do("on")
    assert (refused["ok"], refused["output"]) == (False, "off")
    await asyncio.to_thread(daemon.until, "s", rearm_wait_s=0.0)
    assert (await remote.do("rearm"))["ok"] is True
    assert daemon.channel("s")["latched"] is False
    assert not sim.truth(1).output


async def _measured(client: aiomqtt.Client, sim: SimulatedSupply, daemon: Any) -> dict[str, Any]:
    """A procedure from beginning to end, and what is told of its end."""
    sim.board(1, "leads")
    side = {"role": "main", "supply": "s", "channel": 1}
    body = {"card": "lead-resistance", "sides": [side], "parameters": {}, "accept_cautions": True}
    run = (await asyncio.to_thread(daemon.call, "POST", "runs", body))["run"]

    def asked() -> bool:
        return bool((daemon.call("GET", f"runs/{run}")["now"] or {}).get("question"))

    await asyncio.to_thread(until, asked, bool, "its question")
    await asyncio.to_thread(daemon.call, "POST", f"runs/{run}/answer", {"name": "ready", "value": True})
    async with asyncio.timeout(30):
        async for message in client.messages:
            fits(message)
            if message.topic.value == "benchd/tried/s/1/procedure":
                assert isinstance(message.payload, bytes)
                told: dict[str, Any] = json.loads(message.payload)
                if told["run"] == run:
                    return told
    raise AssertionError("the connection ended")


async def test_off_needs_no_permission_and_the_rest_does(tmp_path: Path) -> None:
    with SimulatedSupply(board1="clean") as sim, Mosquitto(tmp_path / "broker") as broker:
        extra = f'[mqtt]\nhost = "127.0.0.1"\nport = {broker.port}\n'
        with running({"s": Bench(sim.resource, 5.0, "benchd-sim", timeout_ms=800.0)}, extra, folder=tmp_path) as daemon:
            until(lambda: daemon.call("GET", "bench")["followers"]["mqtt"]["state"], lambda s: s == "ok", "the broker")
            async with aiomqtt.Client("127.0.0.1", broker.port) as client:
                await client.subscribe("benchd/tried/done/#", qos=1)
                remote = Remote(client)
                refused = await remote.do("on")
                assert (refused["ok"], refused["code"]) == (False, "not-allowed")
                assert not sim.truth(1).output
                daemon.on("s")
                assert sim.truth(1).output
                await client.publish("benchd/tried/do/s/1/off", b"whatever", qos=1)
                assert (await remote.answer("-"))["output"] == "off"
                assert not sim.truth(1).output
                lost = await remote.do("off", place="none-such/1/")
                assert (lost["ok"], lost["code"], lost["output"]) == (False, "not-found", "unknown")
