"""Two daemons with one bench name at one broker: only one speaks, and both operators hear of it."""

from __future__ import annotations

import asyncio
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import aiomqtt
import msgspec
import pytest

from benchd.store import mqtt_presence
from benchd.store.mqtt import MqttFollower
from benchd.store.mqtt_broker import Broker
from benchd.store.mqtt_payloads import State, Who
from benchd.store.mqtt_presence import NameTaken, Presence
from benchd.store.writer import LogWriter
from tests.services import Mosquitto
from tests.store.making import until_async
from tests.store.mqtt_parts import Listener, make, running

pytestmark = pytest.mark.needs_mosquitto


@pytest.fixture
def broker(tmp_path: Path):
    with Mosquitto(tmp_path / "broker") as broker:
        yield broker


@pytest.fixture
def writers(tmp_path: Path):
    made = [LogWriter(tmp_path / name, commit_every_s=0.02) for name in ("a.sqlite", "b.sqlite")]
    yield made
    for writer in made:
        writer.close()


def ok(follower: MqttFollower) -> bool:
    return follower.health()["state"] == "ok"


@pytest.mark.parametrize("protocol", ["3.1.1", "5"])
async def test_the_second_of_one_name_is_silent_until_the_first_is_gone(
    broker: Mosquitto, writers: list[LogWriter], protocol: Any
) -> None:
    way, alarms, listener = Broker("127.0.0.1", broker.port, protocol=protocol), list[str](), Listener(broker)
    first, second = make(writers[0], broker, way, alarm=alarms.append), make(writers[1], broker, way)
    first.publish_state("psu-a", 1, State("on"))
    second.publish_state("psu-a", 1, State("off"))
    async with running(listener):
        async with running(first):
            await until_async(lambda: listener.connected and ok(first))
            async with running(second):
                await until_async(lambda: second.health()["state"] == "waiting")
                text = second.health()["text"]
                assert 'another daemon speaks as bench "bench-1"' in text
                assert "in its settings" in text
                await until_async(lambda: alarms != [])
                # Asked again and again (here without its pauses), it is told off each time; the operator hears it once.
                asked = listener.on("/who")
                await until_async(lambda: len(listener.on("/who")) > len(asked) + 4)
                assert ok(first)
                assert {s["output"] for s in listener.on("/state")} == {"on"}
                assert set(listener.on("/availability")) == {"online"}
                assert len(alarms) == 1
                assert "it is kept silent" in alarms[0]
        # With the first gone, it speaks.
        async with running(second):
            await until_async(lambda: ok(second))
        await until_async(lambda: listener.on("/availability")[-1] == "offline")
    runs = {f._who.run for f in (first, second)}
    assert {w["run"] for w in listener.on("/who")} == runs
    assert [s["output"] for s in listener.on("/state")][-1] == "off"
    assert {(s["run"], s["output"]) for s in listener.on("/state")} == {
        (first._who.run, "on"), (second._who.run, "off"),
    }  # fmt: skip


async def test_two_that_take_the_name_in_one_moment_agree_on_one(
    broker: Mosquitto, writers: list[LogWriter], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(mqtt_presence, "ECHO_S", 14.0)  # a busy machine's broker may be slow; what then: next test
    listener = Listener(broker)
    both = [make(writer, broker) for writer in writers]
    for follower in both:
        follower.publish_state("psu-a", 1, State("on"))
    async with running(listener):
        await until_async(lambda: listener.connected)
        async with running(*both):
            await until_async(lambda: sorted(f.health()["state"] for f in both) == ["ok", "waiting"])
            (holder,) = [f for f in both if ok(f)]
            (silent,) = [f for f in both if not ok(f)]
            assert "another daemon speaks" in silent.health()["text"]
            await until_async(lambda: [w["run"] for w in listener.on("/who")[-1:]] == [holder._who.run])
            await until_async(lambda: listener.on("/availability")[-1:] == ["online"])
            # The other one has said nothing of any output.
            assert {s["run"] for s in listener.on("/state")} <= {holder._who.run}


class Said:
    """Takes the place of a connection: keeps what is published."""

    def __init__(self) -> None:
        self.published: list[tuple[str, bytes, bool]] = []

    async def publish(self, topic: str, payload: bytes, qos: int = 0, retain: bool = False) -> None:
        self.published.append((topic, payload, retain))


def says(who: Who) -> Any:
    topic = SimpleNamespace(value="benchd/bench-1/who")
    return SimpleNamespace(topic=topic, payload=msgspec.json.encode(who), retain=False)


@pytest.mark.parametrize(("mine", "theirs"), [("1", "2"), ("2", "1")])
def test_of_two_that_hold_the_name_after_all_one_gives_way_and_it_ends(mine: str, theirs: str) -> None:
    """One was too busy to answer in time. Each says its who again when it sees the other's; not for ever."""
    both = []
    for run in (mine, theirs):
        presence = Presence(
            cast(Any, Said()), "bench-1", Who(run, None, "0", 1), lambda: asyncio.sleep(0), lambda _: None
        )
        presence.holding = True
        both.append(presence)
    gone: list[str] = []
    for turn in range(6):
        hears, speaks = both[turn % 2], both[(turn + 1) % 2]
        try:
            hears.take(says(speaks._who))
        except NameTaken:
            gone.append(hears._who.run)
            break
    assert gone == ["2"]


async def test_an_online_that_nobody_stands_behind_gives_the_name_away(
    broker: Mosquitto, writers: list[LogWriter], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A broker that was killed while its daemon was away goes on saying what it has on its disk."""
    monkeypatch.setattr(mqtt_presence, "ANSWER_S", 0.2)
    async with aiomqtt.Client("127.0.0.1", broker.port) as past:
        await past.publish("benchd/bench-1/who", b'{"run":"00","log":null,"version":"0","since_ns":1}', 1, retain=True)
        await past.publish("benchd/bench-1/availability", b"online", 1, retain=True)
    follower = make(writers[0], broker)
    async with running(follower):
        await until_async(lambda: ok(follower))


async def test_what_is_no_who_does_not_end_it(broker: Mosquitto, writers: list[LogWriter]) -> None:
    follower = make(writers[0], broker)
    async with running(follower), aiomqtt.Client("127.0.0.1", broker.port) as somebody:
        await until_async(lambda: ok(follower))
        for payload in (b"", b"\xff", b"[]", b'{"run": 5}', b'{"run":"0","log":5,"version":"","since_ns":1}'):
            await somebody.publish("benchd/bench-1/who", payload, qos=1)
        listener = Listener(broker)
        follower.publish_state("psu-a", 1, State("on"))
        async with running(listener):
            await until_async(lambda: listener.on("/state") != [])
        assert ok(follower)


async def test_offline_that_is_not_so_is_put_right(broker: Mosquitto, writers: list[LogWriter]) -> None:
    """The will of an earlier connection may come late: after a power cut the broker finds out by its keep-alive."""
    listener, follower = Listener(broker), make(writers[0], broker)
    follower.publish_state("psu-a", 1, State("on"))
    async with running(listener, follower), aiomqtt.Client("127.0.0.1", broker.port) as late:
        await until_async(lambda: listener.connected and ok(follower))
        await until_async(lambda: "online" in listener.on("/availability"))
        await late.publish("benchd/bench-1/availability", b"offline", qos=1, retain=True)
        await until_async(lambda: listener.on("/availability")[-2:] == ["offline", "online"])


TAKE = """
import asyncio, sys
from benchd.store.mqtt import MqttFollower
from benchd.store.mqtt_broker import Broker
from benchd.store.writer import LogWriter
async def main():
    broker = Broker("127.0.0.1", int(sys.argv[2]))
    await MqttFollower(sys.argv[1], LogWriter(sys.argv[1]), bench="bench-1", broker=broker).run()
asyncio.run(main())
"""


async def test_a_daemon_that_is_started_again_has_its_name_at_once(
    broker: Mosquitto, writers: list[LogWriter], tmp_path: Path
) -> None:
    """Killed, and started anew: the broker has said offline for it, and nobody is asked."""
    listener = Listener(broker)
    async with running(listener):
        await until_async(lambda: listener.connected)
        child = await asyncio.create_subprocess_exec(
            sys.executable, "-c", TAKE, str(tmp_path / "c.sqlite"), str(broker.port)
        )
        try:
            await until_async(lambda: "online" in listener.on("/availability"))
        finally:
            child.kill()
            await child.wait()
        await until_async(lambda: listener.on("/availability")[-1] == "offline")
        follower = make(writers[0], broker)
        loop = asyncio.get_running_loop()
        began = loop.time()
        async with running(follower):
            await until_async(lambda: ok(follower))
            assert loop.time() - began < mqtt_presence.ANSWER_S
