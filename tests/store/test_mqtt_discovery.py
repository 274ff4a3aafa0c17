"""Descriptions for home-automation hubs: they come, they fit what is published, and they go again."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import aiomqtt
import pytest

from benchd.store.mqtt import MqttFollower
from benchd.store.mqtt_discovery import configs
from benchd.store.mqtt_payloads import Reading, State
from benchd.store.mqtt_topics import OUTPUT_WORDS, TOPICS
from benchd.store.writer import LogWriter
from tests.services import Mosquitto
from tests.store.making import until_async
from tests.store.mqtt_parts import make, running

pytestmark = pytest.mark.needs_mosquitto
OUTPUTS = [("psu-a", 1), ("psu-a", 2)]


@pytest.fixture
def broker(tmp_path: Path):
    with Mosquitto(tmp_path / "broker") as broker:
        yield broker


@pytest.fixture
def writer(tmp_path: Path):
    writer = LogWriter(tmp_path / "l.sqlite", commit_every_s=0.02)
    yield writer
    writer.close()


async def kept(broker: Mosquitto) -> dict[str, bytes]:
    """What the broker has retained by now, but for who and availability."""
    found: dict[str, bytes] = {}
    async with aiomqtt.Client("127.0.0.1", broker.port) as client:
        await client.subscribe("#", qos=0)
        await client.publish("end", b"end", qos=1)
        async for message in client.messages:
            if message.topic.value == "end":
                break
            assert isinstance(message.payload, bytes)
            found[message.topic.value] = message.payload
    return {topic: payload for topic, payload in found.items() if not topic.endswith(("/who", "/availability"))}


async def after(broker: Mosquitto, follower: MqttFollower, wanted: set[str]) -> None:
    """Until the broker keeps these topics, and no others."""
    async with running(follower):
        await until_async(lambda: follower.health()["state"] == "ok")
        found: dict[str, bytes] = {}
        for _ in range(100):
            found = await kept(broker)
            if set(found) == wanted:
                return
        pytest.fail(f"kept are {sorted(found)}, wanted {sorted(wanted)}")


async def test_descriptions_come_and_go_with_the_settings(broker: Mosquitto, writer: LogWriter) -> None:
    mine = set(configs("hub", "bench-1", OUTPUTS))
    others = set(configs("hub", "bench-10", OUTPUTS)) | {
        "hub/sensor/kettle/power/config",
        "benchd/bench-10/psu-a/3/state",
    }
    async with aiomqtt.Client("127.0.0.1", broker.port) as client:
        for topic in others:
            await client.publish(topic, b"{}", qos=1, retain=True)
    asked: dict[str, Any] = {"outputs": OUTPUTS, "discovery_prefix": "hub"}
    await after(broker, make(writer, broker, discovery=True, **asked), mine | others)
    # An output that is not in the settings any more; then none is described.
    asked["outputs"] = OUTPUTS[:1]
    one = set(configs("hub", "bench-1", OUTPUTS[:1]))
    await after(broker, make(writer, broker, discovery=True, **asked), one | others)
    await after(broker, make(writer, broker, **asked), others)


async def test_the_state_of_an_output_that_is_gone_is_taken_away(broker: Mosquitto, writer: LogWriter) -> None:
    """Or the broker would say for ever that it is off, or on."""
    gone, there = "benchd/bench-1/psu-old/1/state", "benchd/bench-1/psu-a/1/state"
    async with aiomqtt.Client("127.0.0.1", broker.port) as client:
        await client.publish(gone, b'{"output": "off"}', qos=1, retain=True)
        await client.publish(there, b'{"output": "off"}', qos=1, retain=True)
    follower = make(writer, broker, outputs=OUTPUTS)
    follower.publish_state("psu-a", 1, State("unknown"))
    await after(broker, follower, {there})
    assert json.loads((await kept(broker))[there])["output"] == "unknown"


def test_what_is_described_is_what_is_published() -> None:
    """Topics, the keys that the templates name, the words, and units (the trade's symbols: V, A, W)."""
    made = configs("hub", "bench-1", [("psu-a", 1)])
    place: dict[str, str | int] = {"bench": "bench-1", "supply": "psu-a", "channel": 1}
    reading, state = TOPICS["reading"].of(**place), TOPICS["state"].of(**place)
    keys = {reading: Reading.__struct_fields__, state: State.__struct_fields__}
    units = {"V": "voltage", "A": "current", "W": "power"}
    for topic, payload in made.items():
        entity = json.loads(payload)
        component = topic.split("/")[1]
        assert entity["availability"] == [{
            "topic": TOPICS["availability"].of(bench="bench-1"),
            "payload_available": "online", "payload_not_available": "offline",
        }]  # fmt: skip
        if component == "button":
            assert entity["command_topic"] == TOPICS["command"].of(**place, word="off")
            assert json.loads(entity["payload_press"])["id"]
            continue
        named = entity["value_template"].partition("value_json.")[2].split()[0]
        assert named in keys[entity["state_topic"]]
        if unit := entity.get("unit_of_measurement"):
            assert (named[-2:], entity["device_class"]) == (f"_{unit.lower()}", units[unit])
        assert "command_topic" not in entity
    assert {json.loads(p)["device"]["identifiers"][0] for p in made.values()} == {"benchd_bench-1_psu-a_1"}
    words = [json.loads(p).get("command_topic", "").rsplit("/", 1)[-1] for p in made.values()]
    assert set(words) & set(OUTPUT_WORDS) == {"off"}
