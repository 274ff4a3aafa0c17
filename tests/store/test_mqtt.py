"""The MQTT publisher against a real broker that goes away and comes back."""

from __future__ import annotations

import asyncio
import json
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import aiomqtt
import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import asdict
from paho.mqtt.client import topic_matches_sub

from benchd.jobs.job import JournalEntry
from benchd.procedures.record import Happened, Result, Run, Side
from benchd.store.follower_rows import Rejected
from benchd.store.log import Log
from benchd.store.mqtt import MqttFollower
from benchd.store.mqtt_broker import WINDOW, Broker, Link
from benchd.store.mqtt_events import AGAIN_MOST, Event, event_of
from benchd.store.mqtt_payloads import Procedure, ProcedureResult, Reading, State, Trip
from benchd.store.mqtt_topics import TOPICS
from benchd.store.procedure_rows import end_run
from benchd.store.writer import LogWriter
from tests.services import Mosquitto
from tests.store.making import T0, finding, trace_row, tripped, until_async
from tests.store.mqtt_parts import Listener, make, running

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


RUN = Run(
    "P1", "find-short", 1, "Find the short", "R-1042", T0, (Side("main", "psu-a", 1),), "phone-cell",
    {"rail": "private"}, "anna", T0 + 9, "done", "The lowest resistance is at private C12.",
    (Result("point_1", "private C12", 0.01, "Ω", 0.001), Result("share", "Passed", 0.95, "", None, 0.76, 0.99),
     Result("kind", "Kind of leak", "ohmic", text="private")),
    happened=(Happened(T0 + 1, "point", "private C12"),),
)  # fmt: skip


def reading(current_a: float) -> Reading:
    return Reading(T0, 4.0, current_a, 4.0 * current_a, "cv", None)


@pytest.mark.parametrize("protocol", ["3.1.1", "5"])
async def test_availability_state_readings_and_events(broker: Mosquitto, writer: LogWriter, protocol: Any) -> None:
    way = Broker("127.0.0.1", broker.port, protocol=protocol)
    listener, follower = Listener(broker), make(writer, broker, way)
    writer.submit(lambda log: log.add_trip(tripped(), "R-0")).result(5)  # before this follower's time
    async with running(listener):
        await until_async(lambda: listener.connected)
        follower.publish_state("psu-a", 1, State("unknown"))
        follower.publish_live("psu-a", 1, reading(9.9))  # not connected: forgotten
        async with running(follower):
            await until_async(lambda: follower.health()["state"] == "ok" and "online" in listener.on("/availability"))
            await until_async(lambda: listener.on("psu-a/1/state") != [])
            writer.submit(lambda log: log.add_trip(tripped(), "R-1042", "t-1")).result(5)
            writer.submit(lambda log: log.add_entry("note", payload={"text": "private"})).result(5)
            writer.submit(lambda log: log.add_trace(trace_row("t-1"))).result(5)
            writer.submit(lambda log: log.update_finding("t-1", finding("clean-boot"))).result(5)
            writer.submit(lambda log: end_run(log, RUN)).result(5)
            follower.publish_state("psu-a", 1, State("on", job="R-1042"))
            follower.publish_live("psu-a", 1, reading(0.0612))
            await until_async(lambda: len(listener.on("/finding")) == 2 and listener.on("/procedure") != [])
            await until_async(lambda: listener.on("/reading") != [] and len(listener.on("psu-a/1/state")) == 2)
        await until_async(lambda: listener.on("/availability")[-1] == "offline")  # a clean end says so
    assert follower.health()["state"] == "stopped"
    assert [s["output"] for s in listener.on("psu-a/1/state")] == ["unknown", "on"]
    assert [r["current_a"] for r in listener.on("/reading")] == [0.0612]
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
    (run,) = listener.on("psu-a/1/procedure")
    assert (run["run"], run["card"], run["title"], run["job"], run["outcome"], run["began_ns"], run["ended_ns"]) == (
        "P1", "find-short", "Find the short", "R-1042", "done", T0, T0 + 9,
    )  # fmt: skip
    assert run["sides"] == [{"role": "main", "supply": "psu-a", "channel": 1}]
    assert run["results"] == [
        {"name": "point_1", "value": 0.01, "unit": "Ω", "u": 0.001},
        {"name": "share", "title": "Passed", "value": 0.95, "low": 0.76, "high": 0.99},
        {"name": "kind", "title": "Kind of leak", "value": "ohmic"},
    ]
    assert not any(b"private" in m.payload for m in listener.messages)
    # Every number but counts, shares of one and numbers of things carries its unit in its key; _u and _most after it.
    units = ("_ns", "_us", "_ms", "_s", "_a", "_v", "_c", "_j", "_a2s", "_u", "_most")
    for event in (trip, *found):
        bare = {k for k, v in event.items() if isinstance(v, int | float) and not isinstance(v, bool)}
        assert {k for k in bare if not k.endswith(units)} <= {"channel", "trip", "readings"}
    qos = {str(m.topic).rsplit("/", 1)[-1]: m.qos for m in listener.messages}
    assert qos == {"availability": 1, "who": 1, "state": 1, "reading": 0, "trip": 1, "finding": 1, "procedure": 1}
    said = {kind: TOPICS[kind] for kind in qos}
    assert qos == {kind: topic.qos for kind, topic in said.items()}
    # Each payload is as its type says, and has no key that the type has not.
    for message in listener.messages:
        payload = said[str(message.topic).rsplit("/", 1)[-1]].payload
        if payload is not None:
            msgspec.json.decode(message.payload, type=payload)
            assert set(json.loads(message.payload)) <= set(payload.__struct_fields__)


async def test_a_late_comer_gets_state_and_availability(broker: Mosquitto, writer: LogWriter) -> None:
    follower, late = make(writer, broker), Listener(broker)
    async with running(follower):
        follower.publish_state("psu-a", 1, State("on"))
        follower.publish_state("psu-a", 1, State("off"))
        await until_async(lambda: follower.health()["state"] == "ok")
        async with running(late):
            await until_async(lambda: late.on("/state") != [] and late.on("/availability") != [])
            await until_async(lambda: late.on("/state")[-1]["output"] == "off")
            assert late.on("/availability")[-1] == "online"
            retained = [m for m in late.messages if m.retain]
            kinds = {str(m.topic).rsplit("/", 1)[-1] for m in retained}
            assert (
                kinds == {"state", "availability", "who"} == {kind for kind, topic in TOPICS.items() if topic.retained}
            )


async def test_an_old_state_is_never_vouched_for(broker: Mosquitto, writer: LogWriter) -> None:
    """A daemon that was killed leaves a retained `on`; the next one corrects it before it says that it is there."""
    listener = Listener(broker)
    async with aiomqtt.Client("127.0.0.1", broker.port) as killed:
        await killed.publish("benchd/bench-1/psu-a/1/state", b'{"output": "on"}', qos=1, retain=True)
    follower = make(writer, broker)
    follower.publish_state("psu-a", 1, State("unknown"))
    async with running(listener):
        await until_async(lambda: listener.on("/state") == [{"output": "on"}])
        async with running(follower):
            await until_async(lambda: "online" in listener.on("/availability"))
            follower.publish_state("psu-a", 1, State("off"))  # and ends at once
        await until_async(lambda: listener.on("/availability")[-1] == "offline")
    said = [m.payload.decode() if "availability" in str(m.topic) else json.loads(m.payload)["output"]
            for m in listener.messages if "who" not in str(m.topic)]  # fmt: skip
    assert list(dict.fromkeys(said)) == ["on", "unknown", "online", "off", "offline"]


async def test_state_goes_out_while_the_log_is_down(broker: Mosquitto, tmp_path: Path) -> None:
    """A disk that is full from the start: nothing can be recorded, but who watches from afar is told of the output."""
    blocked = tmp_path / "l.sqlite"
    blocked.mkdir()
    writer = LogWriter(blocked, retry_s=(0.02, 0.05))
    listener, follower = Listener(broker), make(writer, broker)
    async with running(listener, follower):
        await until_async(lambda: listener.connected)
        follower.publish_state("psu-a", 1, State("on"))
        await until_async(lambda: listener.on("/state") != [] and follower.health()["state"] == "waiting")
        blocked.rmdir()
        await until_async(lambda: follower.health()["state"] == "ok")
        await asyncio.wrap_future(writer.submit(lambda log: log.add_trip(tripped())))
        await until_async(lambda: len(listener.on("/trip")) == 1)
    writer.close()


async def test_a_broker_that_goes_away_loses_no_event(broker: Mosquitto, writer: LogWriter) -> None:
    listener, follower = Listener(broker), make(writer, broker)
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
        follower.publish_state("psu-a", 1, State("off"))
        follower.publish_live("psu-a", 1, reading(1.0))
        assert follower.health()["backlog"] > 0
        await asyncio.to_thread(broker.start)
        await until_async(lambda: follower.health()["state"] == "ok" and follower.health()["backlog"] == 0)
        await trip()
        await until_async(lambda: len({t["id"] for t in listener.on("/trip")}) == 26)
        await until_async(lambda: listener.on("/state") != [] and listener.on("/state")[-1]["output"] == "off")
    trips = {t["id"]: t["t_ns"] - T0 for t in listener.on("/trip")}
    assert list(trips.values()) == list(range(26))  # each trip, in order, once its id is used to drop repeats
    # What was acknowledged shortly before the loss comes again, and nothing else but what it had on its way.
    assert len(listener.on("/trip")) <= 26 + 5 + WINDOW
    assert listener.on("/reading") == []


async def test_live_readings_are_thinned_and_the_newest_wins(broker: Mosquitto, writer: LogWriter) -> None:
    listener, follower = Listener(broker, "benchd/+/+/+/reading"), make(writer, broker)
    async with running(listener, follower):
        await until_async(lambda: listener.connected and follower.health()["state"] == "ok")
        loop = asyncio.get_running_loop()
        began = loop.time()
        number = 0
        while loop.time() - began < 0.6:
            follower.publish_live("psu-a", 1, reading(float(number)))
            follower.publish_live("psu-a", 2, reading(float(number)))
            number += 1
            await asyncio.sleep(0.002)
        took = loop.time() - began
        await until_async(lambda: [r["current_a"] for r in listener.on("a/1/reading")[-1:]] == [number - 1])
    for channel in (1, 2):
        numbers = [m["current_a"] for m in listener.on(f"a/{channel}/reading")]
        assert numbers == sorted(set(numbers))
        assert 2 <= len(numbers) <= took * 10 + 2


PUBLISH = """
import asyncio, sys
from benchd.store.mqtt import MqttFollower
from benchd.store.mqtt_broker import Broker
from benchd.procedures.record import Happened, Result, Run, Side
from benchd.store.procedure_rows import end_run
from benchd.store.writer import LogWriter
async def main():
    writer = LogWriter(sys.argv[1])
    await MqttFollower(sys.argv[1], writer, bench="bench-1", broker=Broker("127.0.0.1", int(sys.argv[2]))).run()
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
        follower.publish_state("psu-a", 2, State("off"))
        writer.submit(lambda log: log.add_trip(tripped())).result(5)
        await until_async(lambda: listener.on("/state") != [] and listener.on("/trip") != [])
    topics = {str(m.topic) for m in listener.messages}
    assert topics == {"benchd/bench-1/availability", "benchd/bench-1/who", "benchd/bench-1/psu-a/2/state",
                      "benchd/bench-1/psu-a/1/trip"}  # fmt: skip
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


class Gated(MqttFollower):
    """Sees how many events are on their way, and holds back what it is told to."""

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self.most, self._going, self.sent = 0, 0, list[int]()
        self.hold: set[int] = set()
        real = self._events._send_one

        async def send_one(link: Link, event: Event) -> Rejected | None:
            number = json.loads(event.payload)["t_ns"] - T0
            self.sent.append(number)
            self._going += 1
            self.most = max(self.most, self._going)
            try:
                if number in self.hold:
                    await asyncio.Event().wait()
                return await real(link, event)
            finally:
                self._going -= 1

        self._events._send_one = send_one  # type: ignore[method-assign]


def still_to_go(writer: LogWriter) -> list[int]:
    """Trips behind the stored cursor."""
    with Log.open(writer.path, read_only=True) as log:
        cursor = log.followers.cursor("mqtt")
        return [e.t_ns - T0 for e in log.entries_after(cursor or 0, 100, ("trip",))]


def trips(numbers: range) -> Callable[[Log], None]:
    def add(log: Log) -> None:
        with log.transaction():
            for number in numbers:
                log.add_trip(tripped(T0 + number), "R-1")

    return add


async def test_several_events_are_on_their_way_and_only_what_is_acknowledged_counts(
    broker: Mosquitto, writer: LogWriter
) -> None:
    listener, follower = Listener(broker), make(writer, broker, follower=Gated)
    assert isinstance(follower, Gated)
    async with running(listener, follower):
        await until_async(lambda: listener.connected and follower.health()["state"] == "ok")
        follower.hold = {7}
        await asyncio.wrap_future(writer.submit(trips(range(12))))
        # All up to the one that is not acknowledged are done with, whatever comes of those behind it.
        await until_async(lambda: follower.health()["backlog"] == 5)
        await asyncio.to_thread(broker.stop)
        await until_async(lambda: follower.health()["state"] == "waiting")
        await until_async(lambda: still_to_go(writer) == [7, 8, 9, 10, 11])
        await asyncio.wrap_future(writer.submit(trips(range(12, 60))))
        follower.hold, follower.most, follower.sent = set(), 0, []
        await asyncio.to_thread(broker.start)
        await until_async(lambda: follower.health()["backlog"] == 0)
        await until_async(lambda: len({t["id"] for t in listener.on("/trip")}) == 60)
        assert follower.most == WINDOW
        # First what was acknowledged shortly before the loss, which a broker that is killed may have forgotten.
        assert follower.sent == [*range(7), *range(7, 60)]
    assert sorted(t["t_ns"] - T0 for t in {t["id"]: t for t in listener.on("/trip")}.values()) == list(range(60))
    assert follower.health()["rejected"] == 0


@settings(max_examples=50)
@given(st.dictionaries(st.text(max_size=8) | st.sampled_from(["text", "note", "symptom", "rule"]), st.text(max_size=8)))
def test_an_event_holds_what_its_payload_names_and_nothing_else(payload: dict[str, Any]) -> None:
    entry = JournalEntry(7, T0, "trip", "R-1", "psu-a", 2, None, payload)
    event = event_of("bench-1", "log", entry)
    said = json.loads(event.payload)
    assert set(said) <= set(Trip.__struct_fields__)
    assert (said["id"], said["kind"], said["supply"], said["channel"]) == ("log-7", "trip", "psu-a", 2)
    assert all(
        said[key] == value for key, value in payload.items() if key in said and key not in asdict(entry) | {"id": 0}
    )


def test_a_run_whose_entry_does_not_say_what_was_typed_gives_figures_only() -> None:
    """As entries were before they said it."""
    results = [{"name": "point_1", "title": "C12", "value": 0.01}, {"name": "kind", "title": "Kind", "value": "typed"}]
    entry = JournalEntry(7, T0, "procedure", "R-1", "psu-a", 1, None, {"run": "P1", "results": results})
    said = msgspec.json.decode(event_of("bench-1", "log", entry).payload, type=Procedure)
    assert said.run == "P1"
    assert said.results == (ProcedureResult("point_1", value=0.01), ProcedureResult("kind"))


async def test_what_comes_again_after_a_loss_is_bounded_and_does_not_grow(broker: Mosquitto, writer: LogWriter) -> None:
    follower = make(writer, broker, follower=Gated)
    assert isinstance(follower, Gated)
    async with running(follower):
        await until_async(lambda: follower.health()["state"] == "ok")
        await asyncio.wrap_future(writer.submit(trips(range(AGAIN_MOST + 50))))
        await until_async(lambda: len(follower.sent) == AGAIN_MOST + 50 and follower.health()["backlog"] == 0)
        for _ in range(2):
            follower.sent = []
            await asyncio.to_thread(broker.stop)
            await until_async(lambda: follower.health()["state"] == "waiting")
            await asyncio.to_thread(broker.start)
            await until_async(lambda: follower.health()["state"] == "ok" and len(follower.sent) >= AGAIN_MOST)
            assert follower.sent == list(range(50, AGAIN_MOST + 50))
        assert follower.most == WINDOW
