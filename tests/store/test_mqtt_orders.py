"""Commands at a real broker: they come, they are answered, and none of another time is taken for one of now."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Any, cast

import aiomqtt
import pytest
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.reasoncodes import ReasonCode

from benchd.store.mqtt import COMMANDS_AT_ONCE, Command
from benchd.store.mqtt_broker import Broker
from benchd.store.mqtt_payloads import Answer
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
def writer(tmp_path: Path):
    writer = LogWriter(tmp_path / "l.sqlite", commit_every_s=0.02)
    yield writer
    writer.close()


class Carrier:
    """Carries out what comes: keeps it, and answers, when it may."""

    def __init__(self) -> None:
        self.commands: list[Command] = []
        self.may = asyncio.Event()
        self.may.set()

    async def __call__(self, command: Command) -> Answer:
        self.commands.append(command)
        if command.word != "off":
            await self.may.wait()
        return Answer(command.payload.decode(), True, command.word, "psu-a", 1, "unknown", "", "")


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
        await until_async(lambda: [a["word"] for a in listener.on("/done/off-1")] == ["off"])
        assert carrier.commands[0] == Command("psu-a", "1", "on", b"on-0", False, False)
        assert [c.crowded for c in carrier.commands] == [False] * COMMANDS_AT_ONCE + [True]
        carrier.may.set()
        await until_async(lambda: [a["word"] for a in listener.on("/done/on-0")] == ["on"])
        await somebody.publish("benchd/bench-1/do/psu-a/on", b"x", qos=1)
        await somebody.publish("benchd/bench-1/do/job", b"bench-wide", qos=1)
        await somebody.publish("benchd/bench-2/do/psu-a/1/on", b"x", qos=1)
        await somebody.publish("benchd/bench-1/do/psu-a/1/next", b"last", qos=1)
        await until_async(lambda: listener.on("/done/last") != [])
        await until_async(lambda: listener.on("/done/bench-wide") != [])
    assert not any(c.payload == b"x" for c in carrier.commands)
    assert Command(None, None, "job", b"bench-wide", False, False) in carrier.commands
    assert not any(m.retain for m in listener.messages)


@pytest.mark.parametrize(("protocol", "kept"), [("5", set()), ("3.1.1", {(b"kept", True), (b"kept-off", True)})])
async def test_an_order_of_the_past_is_told_from_a_fresh_one(
    broker: Mosquitto, writer: LogWriter, protocol: Any, kept: set[tuple[bytes, bool]]
) -> None:
    """What the broker has kept does not come (MQTT 5 §3.8.3.1, Retain Handling) or comes marked as retained; what was
    sent while nobody was there does not come at all."""
    carrier = Carrier()
    follower = make(writer, broker, Broker("127.0.0.1", broker.port, protocol=protocol), carry=carrier)
    async with aiomqtt.Client("127.0.0.1", broker.port) as somebody:
        async with running(follower):
            await until_async(lambda: follower.health()["state"] == "ok")
        await somebody.publish("benchd/bench-1/do/psu-a/1/on", b"while-away", qos=1)
        await somebody.publish("benchd/bench-1/do/psu-a/2/on", b"kept", qos=1, retain=True)
        await somebody.publish("benchd/bench-1/do/psu-a/2/off", b"kept-off", qos=1, retain=True)
        async with running(follower):
            await until_async(lambda: follower.health()["state"] == "ok" and len(carrier.commands) == len(kept))
            await somebody.publish("benchd/bench-1/do/psu-a/1/off", b"fresh", qos=1)
            await until_async(lambda: any(c.payload == b"fresh" for c in carrier.commands))
    assert {(c.payload, c.retained) for c in carrier.commands} == kept | {(b"fresh", False)}


async def test_a_command_goes_on_when_the_connection_is_lost(broker: Mosquitto, writer: LogWriter) -> None:
    carrier = Carrier()
    follower = make(writer, broker, carry=carrier)
    finished: list[str] = []

    async def carry(command: Command) -> Answer:
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


@pytest.mark.parametrize(("protocol", "told"), [("5", [True]), ("3.1.1", [False])])
async def test_what_is_to_be_retained_is_told_from_an_order_for_now(
    broker: Mosquitto, writer: LogWriter, protocol: Any, told: list[bool]
) -> None:
    """MQTT 5 §3.8.3.1, Retain As Published. MQTT 3.1.1 §3.3.1.3: a message that goes to who listens already comes
    without its mark; there it is an order, and the answer to the kept one comes at the next connect."""
    carrier = Carrier()
    follower = make(writer, broker, Broker("127.0.0.1", broker.port, protocol=protocol), carry=carrier)
    async with running(follower), aiomqtt.Client("127.0.0.1", broker.port) as somebody:
        await until_async(lambda: follower.health()["state"] == "ok")
        await somebody.publish("benchd/bench-1/do/psu-a/1/on", b"to-be-kept", qos=1, retain=True)
        await until_async(lambda: carrier.commands != [])
        await somebody.publish("benchd/bench-1/do/psu-a/1/on", b"", qos=1, retain=True)  # taken away: no order
        await somebody.publish("benchd/bench-1/do/psu-a/1/off", b"off", qos=1, retain=True)
        await until_async(lambda: any(c.payload == b"off" for c in carrier.commands))
    assert [c.retained for c in carrier.commands if c.payload == b"to-be-kept"] == told
    assert [c.retained for c in carrier.commands if c.word == "off"] == [False], "off is off"
    if protocol == "5":
        assert [c.payload for c in carrier.commands] == [b"to-be-kept", b"off"]


async def test_an_answer_does_not_lie_at_the_broker_for_ever(broker: Mosquitto, writer: LogWriter) -> None:
    """MQTT 5 §3.3.2.3.3, Message Expiry Interval."""
    carrier, listener = Carrier(), Listener(broker, "benchd/bench-1/done/#", protocol=aiomqtt.ProtocolVersion.V5)
    follower = make(writer, broker, carry=carrier)
    async with aiomqtt.Client("127.0.0.1", broker.port) as somebody, running(listener, follower):
        await until_async(lambda: listener.connected and follower.health()["state"] == "ok")
        await somebody.publish("benchd/bench-1/do/psu-a/1/off", b"now", qos=1)
        await until_async(lambda: listener.on("/done/now") != [])
    (answer,) = [m for m in listener.messages if str(m.topic).endswith("/done/now")]
    assert 0 < answer.properties.MessageExpiryInterval <= 600


@pytest.mark.parametrize("answers", [[ReasonCode(PacketTypes.SUBACK, "Not authorized")], (1, 0x80)])
async def test_a_broker_that_lets_no_command_through_is_told_of(
    broker: Mosquitto, writer: LogWriter, answers: Any
) -> None:
    """MQTT 5 §3.9.3, MQTT 3.1.1 §3.9.3: a subscription may be refused; then off does not come either."""

    class Refusing:
        async def subscribe(self, topics: Any) -> Any:
            return answers

    follower = make(writer, broker, carry=Carrier())
    told = await follower._take_orders(cast(Any, Refusing()))
    assert "no command comes from this broker, off neither" in told
    assert "benchd/bench-1/do/+/+/+" in told
