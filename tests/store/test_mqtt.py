"""The MQTT publisher against a real broker that goes away and comes back."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import sys
from collections.abc import AsyncIterator, Sequence
from pathlib import Path
from typing import Any, ClassVar

import aiomqtt
import pytest
from paho.mqtt.client import topic_matches_sub

from benchd.store.follower_rows import Rejected
from benchd.store.log import Log
from benchd.store.mqtt import COMMANDS_AT_ONCE, Command, Done, Event, MqttFollower
from benchd.store.writer import LogWriter
from tests.services import Mosquitto
from tests.store.making import T0, finding, trace_row, tripped, until_async

OUTAGE_S = float(os.environ.get("BENCHD_TEST_OUTAGE_S", "1.0"))
"""How long the broker is away; set it to 30 for the long form of these tests."""

pytestmark = pytest.mark.needs_mosquitto


@pytest.fixture
def broker(tmp_path: Path):
    with Mosquitto(tmp_path / "broker") as broker:
        yield broker


@pytest.fixture
def writer(tmp_path: Path):
    writer = LogWriter(tmp_path / "l.sqlite", commit_every_s=0.02)
    yield writer
    writer.close()


class Listener:
    """A consumer with a session of its own: what it subscribed to outlives a restart of the broker."""

    def __init__(self, broker: Mosquitto, topics: str = "benchd/#") -> None:
        self._broker, self._topics = broker, topics
        self.messages: list[aiomqtt.Message] = []
        self.connected = False

    async def run(self) -> None:
        while True:
            try:
                async with aiomqtt.Client(
                    "127.0.0.1", self._broker.port, identifier="listener", clean_session=False
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


def make(writer: LogWriter, broker: Mosquitto, **more: Any) -> MqttFollower:
    return MqttFollower(
        writer.path, writer, bench="bench-1", host="127.0.0.1", port=broker.port, sleep=short_sleep, **more
    )


async def test_availability_state_readings_and_events(broker: Mosquitto, writer: LogWriter) -> None:
    listener, follower = Listener(broker), make(writer, broker)
    writer.submit(lambda log: log.add_trip(tripped(), "R-0")).result(5)  # before this follower's time
    async with running(listener):
        await until_async(lambda: listener.connected)
        follower.publish_state("psu-a", 1, {"output": "unknown", "job": None})
        follower.publish_live("psu-a", 1, {"current_a": 9.9})  # not connected: forgotten
        async with running(follower):
            await until_async(lambda: follower.health()["state"] == "ok" and "online" in listener.on("/availability"))
            await until_async(lambda: listener.on("psu-a/1/state") != [])
            writer.submit(lambda log: log.add_trip(tripped(), "R-1042", "t-1")).result(5)
            writer.submit(lambda log: log.add_entry("note", payload={"text": "private"})).result(5)
            writer.submit(lambda log: log.add_trace(trace_row("t-1"))).result(5)
            writer.submit(lambda log: log.update_finding("t-1", finding("clean-boot"))).result(5)
            follower.publish_state("psu-a", 1, {"output": "on", "job": "R-1042"})
            follower.publish_live("psu-a", 1, {"current_a": 0.0612})
            await until_async(lambda: len(listener.on("/finding")) == 2 and listener.on("/reading") != [])
            await until_async(lambda: len(listener.on("psu-a/1/state")) == 2)
        await until_async(lambda: listener.on("/availability")[-1] == "offline")  # a clean end says so
    assert follower.health()["state"] == "stopped"
    assert [s["output"] for s in listener.on("psu-a/1/state")] == ["unknown", "on"]
    assert listener.on("/reading") == [{"current_a": 0.0612}]
    (trip,) = listener.on("psu-a/1/trip")
    with Log.open(writer.path, read_only=True) as log:
        log_id = log.log_id
    assert trip["id"] == f"{log_id}-2"
    assert (trip["rule"], trip["job"], trip["trace"], trip["t_ns"]) == ("short", "R-1042", "t-1", T0)
    assert trip["let_through_c"] == 0.002
    found = listener.on("psu-a/1/finding")
    assert [(f["kind"], f["finding"]["signature"]) for f in found] == [
        ("trace", "low-stall"),
        ("finding", "clean-boot"),
    ]
    assert not any(b"private" in m.payload for m in listener.messages)
    # Every number but counts, shares of one and numbers of things carries its unit in its key; _u and _most after it.
    units = ("_ns", "_us", "_ms", "_s", "_a", "_v", "_c", "_j", "_a2s", "_u", "_most")
    for event in (trip, *found):
        bare = {k for k, v in event.items() if isinstance(v, int | float) and not isinstance(v, bool)}
        assert {k for k in bare if not k.endswith(units)} <= {"channel", "trip", "readings"}
    qos = {str(m.topic).rsplit("/", 1)[-1]: m.qos for m in listener.messages}
    assert qos == {"availability": 1, "state": 1, "reading": 0, "trip": 1, "finding": 1}


async def test_a_late_comer_gets_state_and_availability(broker: Mosquitto, writer: LogWriter) -> None:
    follower, late = make(writer, broker), Listener(broker)
    async with running(follower):
        follower.publish_state("psu-a", 1, {"output": "on"})
        follower.publish_state("psu-a", 1, {"output": "off"})
        await until_async(lambda: follower.health()["state"] == "ok")
        async with running(late):
            await until_async(lambda: late.on("/state") != [] and late.on("/availability") != [])
            await until_async(lambda: late.on("/state")[-1]["output"] == "off")
            assert late.on("/availability")[-1] == "online"
            retained = [m for m in late.messages if m.retain]
            assert {str(m.topic).rsplit("/", 1)[-1] for m in retained} == {"state", "availability"}


async def test_an_old_state_is_never_vouched_for(broker: Mosquitto, writer: LogWriter) -> None:
    """A daemon that was killed leaves a retained `on`; the next one corrects it before it says that it is there."""
    listener = Listener(broker)
    async with aiomqtt.Client("127.0.0.1", broker.port) as killed:
        await killed.publish("benchd/bench-1/psu-a/1/state", b'{"output": "on"}', qos=1, retain=True)
    follower = make(writer, broker)
    follower.publish_state("psu-a", 1, {"output": "unknown"})
    async with running(listener):
        await until_async(lambda: listener.on("/state") == [{"output": "on"}])
        async with running(follower):
            await until_async(lambda: "online" in listener.on("/availability"))
            follower.publish_state("psu-a", 1, {"output": "off"})  # and ends at once
        await until_async(lambda: listener.on("/availability")[-1] == "offline")
    said = [m.payload.decode() if "availability" in str(m.topic) else json.loads(m.payload)["output"]
            for m in listener.messages]  # fmt: skip
    assert list(dict.fromkeys(said)) == ["on", "unknown", "online", "off", "offline"]


async def test_state_goes_out_while_the_log_is_down(broker: Mosquitto, tmp_path: Path) -> None:
    """A disk that is full from the start: nothing can be recorded, but who watches from afar is told of the output."""
    blocked = tmp_path / "l.sqlite"
    blocked.mkdir()
    writer = LogWriter(blocked, retry_s=(0.02, 0.05))
    listener, follower = Listener(broker), make(writer, broker)
    async with running(listener, follower):
        await until_async(lambda: listener.connected)
        follower.publish_state("psu-a", 1, {"output": "on"})
        await until_async(lambda: listener.on("/state") != [] and follower.health()["state"] == "waiting")
        blocked.rmdir()
        await until_async(lambda: follower.health()["state"] == "ok")
        await asyncio.wrap_future(writer.submit(lambda log: log.add_trip(tripped())))
        await until_async(lambda: len(listener.on("/trip")) == 1)
    writer.close()


async def test_a_broker_that_goes_away_loses_no_event(broker: Mosquitto, writer: LogWriter) -> None:
    class Counting(MqttFollower):
        sent: ClassVar[list[int]] = []

        async def _send_event(self, batch: Sequence[Event]) -> list[Rejected]:
            self.sent.extend(event.seq for event in batch)
            return await super()._send_event(batch)

    listener = Listener(broker)
    follower = Counting(writer.path, writer, bench="bench-1", host="127.0.0.1", port=broker.port, sleep=short_sleep)
    sent = 0

    async def trip() -> None:
        nonlocal sent
        number = sent
        await asyncio.wrap_future(writer.submit(lambda log: log.add_trip(tripped(T0 + number), "R-1")))
        sent += 1

    async with running(listener, follower):
        await until_async(lambda: listener.connected and follower.health()["state"] == "ok")
        for _ in range(5):
            await trip()
        await until_async(lambda: len(listener.on("/trip")) == 5)
        await asyncio.to_thread(broker.stop)
        await until_async(lambda: follower.health()["state"] == "waiting")
        for _ in range(20):
            await trip()
            await asyncio.sleep(OUTAGE_S / 20)
        follower.publish_state("psu-a", 1, {"output": "off"})
        follower.publish_live("psu-a", 1, {"current_a": 1.0})
        assert follower.health()["backlog"] > 0
        await asyncio.to_thread(broker.start)
        await until_async(lambda: follower.health()["state"] == "ok" and follower.health()["backlog"] == 0)
        await trip()
        await until_async(lambda: len({t["id"] for t in listener.on("/trip")}) == 26)
        await until_async(lambda: listener.on("/state") != [] and listener.on("/state")[-1]["output"] == "off")
    trips = {t["id"]: t["t_ns"] - T0 for t in listener.on("/trip")}
    assert list(trips.values()) == list(range(26))  # each trip, in order, once its id is used to drop repeats
    # The broker may repeat what the listener had not acknowledged to it; we ourselves repeat one at most.
    assert len(follower.sent) <= 27
    assert listener.on("/reading") == []


async def test_live_readings_are_thinned_and_the_newest_wins(broker: Mosquitto, writer: LogWriter) -> None:
    listener, follower = Listener(broker, "benchd/+/+/+/reading"), make(writer, broker)
    async with running(listener, follower):
        await until_async(lambda: listener.connected and follower.health()["state"] == "ok")
        loop = asyncio.get_running_loop()
        began = loop.time()
        number = 0
        while loop.time() - began < 0.6:
            follower.publish_live("psu-a", 1, {"number": number})
            follower.publish_live("psu-a", 2, {"number": number})
            number += 1
            await asyncio.sleep(0.002)
        took = loop.time() - began
        await until_async(lambda: listener.on("a/1/reading")[-1:] == [{"number": number - 1}])
    for channel in (1, 2):
        numbers = [m["number"] for m in listener.on(f"a/{channel}/reading")]
        assert numbers == sorted(set(numbers))
        assert 2 <= len(numbers) <= took * 10 + 2


async def test_wrong_password_waits_and_says_so(tmp_path: Path, writer: LogWriter) -> None:
    with Mosquitto(tmp_path / "closed", {"bench": "right"}) as broker:
        wrong = make(writer, broker, user="bench", password="wrong")
        async with running(wrong):
            await until_async(lambda: wrong.health()["state"] == "waiting")
            assert "Not authorized" in wrong.health()["text"] or "Bad user" in wrong.health()["text"]
            assert "wrong" not in wrong.health()["text"]
        right = make(writer, broker, user="bench", password="right")
        async with running(right):
            await until_async(lambda: right.health()["state"] == "ok")


PUBLISH = """
import asyncio, sys
from benchd.store.mqtt import COMMANDS_AT_ONCE, Command, Done, Event, MqttFollower
from benchd.store.writer import LogWriter
async def main():
    writer = LogWriter(sys.argv[1])
    await MqttFollower(sys.argv[1], writer, bench="bench-1", host="127.0.0.1", port=int(sys.argv[2])).run()
asyncio.run(main())
"""


async def test_the_will_speaks_for_a_killed_daemon(broker: Mosquitto, tmp_path: Path) -> None:
    """MQTT 3.1.1 §3.1.2.5: the will is published when the connection ends without DISCONNECT."""
    listener = Listener(broker)
    async with running(listener):
        await until_async(lambda: listener.connected)
        child = await asyncio.create_subprocess_exec(
            sys.executable, "-c", PUBLISH, str(tmp_path / "c.sqlite"), str(broker.port)
        )
        try:
            await until_async(lambda: "online" in listener.on("/availability"))
        finally:
            child.kill()
            await child.wait()
        await until_async(lambda: listener.on("/availability")[-1] == "offline")


async def test_topics_fit_the_filters_people_write(broker: Mosquitto, writer: LogWriter) -> None:
    """MQTT 3.1.1 §4.7: `+` is one level, `#` the rest; a published name has neither."""
    listener, follower = Listener(broker), make(writer, broker)
    async with running(listener, follower):
        await until_async(lambda: listener.connected and follower.health()["state"] == "ok")
        follower.publish_state("psu-a", 2, {"output": "off"})
        writer.submit(lambda log: log.add_trip(tripped())).result(5)
        await until_async(lambda: listener.on("/state") != [] and listener.on("/trip") != [])
    topics = {str(m.topic) for m in listener.messages}
    assert topics == {"benchd/bench-1/availability", "benchd/bench-1/psu-a/2/state", "benchd/bench-1/psu-a/1/trip"}
    assert not any(c in t for t in topics for c in "+#\0 ")
    assert [t for t in topics if topic_matches_sub("benchd/+/+/+/trip", t)] == ["benchd/bench-1/psu-a/1/trip"]


async def test_an_event_that_mqtt_cannot_carry_is_set_aside(broker: Mosquitto, writer: LogWriter) -> None:
    """MQTT 3.1.1 §4.7.3: no NUL and no wildcard in a published name."""
    listener, follower = Listener(broker), make(writer, broker)
    async with running(listener, follower):
        await until_async(lambda: listener.connected and follower.health()["state"] == "ok")
        writer.submit(lambda log: log.add_entry("trip", supply="psu/+/#", channel=1)).result(5)
        writer.submit(lambda log: log.add_trip(tripped())).result(5)
        await until_async(lambda: listener.on("/trip") != [])
        await until_async(lambda: follower.health()["rejected"] == 1)
        assert follower.health()["state"] == "ok"


class Carrier:
    """Carries out what comes: keeps it, and answers, when it may."""

    def __init__(self) -> None:
        self.commands: list[Command] = []
        self.may = asyncio.Event()
        self.may.set()

    async def __call__(self, command: Command) -> Done:
        self.commands.append(command)
        if command.word != "off":
            await self.may.wait()
        return Done(command.payload.decode(), {"word": command.word})


async def test_commands_come_and_are_answered(broker: Mosquitto, writer: LogWriter) -> None:
    listener, carrier = Listener(broker, "benchd/bench-1/done/#"), Carrier()
    follower = make(writer, broker, carry=carrier)
    async with running(listener, follower), aiomqtt.Client("127.0.0.1", broker.port) as somebody:
        await until_async(lambda: listener.connected and follower.health()["state"] == "ok")
        carrier.may.clear()
        for number in range(COMMANDS_AT_ONCE):
            await somebody.publish("benchd/bench-1/do/psu-a/1/on", f"on-{number}", qos=1)
        await somebody.publish("benchd/bench-1/do/psu-a/2/off", b"off-1", qos=1)
        # Off is not behind the others, which take their time.
        await until_async(lambda: listener.on("/done/off-1") == [{"word": "off"}])
        assert carrier.commands[0] == Command("psu-a", "1", "on", b"on-0", False, False)
        assert [c.crowded for c in carrier.commands] == [False] * COMMANDS_AT_ONCE + [True]
        carrier.may.set()
        await until_async(lambda: listener.on("/done/on-0") == [{"word": "on"}])
        await somebody.publish("benchd/bench-1/do/psu-a/on", b"x", qos=1)
        await somebody.publish("benchd/bench-2/do/psu-a/1/on", b"x", qos=1)
        await somebody.publish("benchd/bench-1/do/psu-a/1/next", b"last", qos=1)
        await until_async(lambda: listener.on("/done/last") != [])
    assert not any(c.payload == b"x" for c in carrier.commands)
    assert not any(m.retain for m in listener.messages)


async def test_an_order_of_the_past_is_told_from_a_fresh_one(broker: Mosquitto, writer: LogWriter) -> None:
    """What the broker has kept comes marked as retained; what was sent while nobody was there does not come at all."""
    carrier = Carrier()
    follower = make(writer, broker, carry=carrier)
    async with aiomqtt.Client("127.0.0.1", broker.port) as somebody:
        async with running(follower):
            await until_async(lambda: follower.health()["state"] == "ok")
        await somebody.publish("benchd/bench-1/do/psu-a/1/on", b"while-away", qos=1)
        await somebody.publish("benchd/bench-1/do/psu-a/2/on", b"kept", qos=1, retain=True)
        async with running(follower):
            await until_async(lambda: follower.health()["state"] == "ok" and carrier.commands != [])
            await somebody.publish("benchd/bench-1/do/psu-a/1/off", b"fresh", qos=1)
            await until_async(lambda: any(c.payload == b"fresh" for c in carrier.commands))
    assert {(c.payload, c.retained) for c in carrier.commands} == {(b"kept", True), (b"fresh", False)}


async def test_a_command_goes_on_when_the_connection_is_lost(broker: Mosquitto, writer: LogWriter) -> None:
    carrier = Carrier()
    follower = make(writer, broker, carry=carrier)
    finished: list[str] = []

    async def carry(command: Command) -> Done:
        done = await carrier(command)
        finished.append(command.word)
        return done

    follower._carry = carry
    async with running(follower):
        await until_async(lambda: follower.health()["state"] == "ok")
        carrier.may.clear()
        async with aiomqtt.Client("127.0.0.1", broker.port) as somebody:
            await somebody.publish("benchd/bench-1/do/psu-a/1/on", b"slow", qos=1)
        await until_async(lambda: carrier.commands != [])
        await asyncio.to_thread(broker.stop)
        await until_async(lambda: follower.health()["state"] == "waiting")
        carrier.may.set()
        await until_async(lambda: finished == ["on"])
        await asyncio.to_thread(broker.start)
