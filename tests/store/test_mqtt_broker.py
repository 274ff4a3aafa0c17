"""What keeps a follower from its broker is said in words, with what to do; and when it is mended, it goes on."""

from __future__ import annotations

import asyncio
import contextlib
import dataclasses
import socket
from collections.abc import AsyncIterator, Callable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest

from benchd.store import mqtt_broker, mqtt_presence
from benchd.store.mqtt import MqttFollower
from benchd.store.mqtt_broker import WINDOW, Broker
from benchd.store.writer import LogWriter
from tests.services import Mosquitto, free_port
from tests.store.certificates import Authority
from tests.store.making import tripped, until_async
from tests.store.mqtt_parts import Listener, make, running

pytestmark = pytest.mark.needs_mosquitto
PASSWORDS = {"bench": "right", "reader": "r"}


@pytest.fixture
def writer(tmp_path: Path) -> Iterator[LogWriter]:
    writer = LogWriter(tmp_path / "l.sqlite", commit_every_s=0.02)
    yield writer
    writer.close()


@pytest.fixture(scope="module")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    return Authority(tmp_path_factory.mktemp("certificates"))


class Configured(Mosquitto):
    """With more lines in its configuration."""

    def __init__(self, folder: Path, *more: str, users: dict[str, str] | None = None) -> None:
        super().__init__(folder, users)
        with (folder / "mosquitto.conf").open("a") as file:
            file.write("\n".join(more) + "\n")


def tls(tmp_path: Path, pair: tuple[Path, Path], *more: str) -> Configured:
    return Configured(tmp_path / "tls", f"certfile {pair[0]}", f"keyfile {pair[1]}", *more)


@contextlib.asynccontextmanager
async def tried(writer: LogWriter, broker: Mosquitto, way: Broker, **more: Any) -> AsyncIterator[MqttFollower]:
    follower = make(writer, broker, dataclasses.replace(way, port=broker.port), **more)
    async with running(follower):
        yield follower


async def told(writer: LogWriter, broker: Mosquitto, way: Broker) -> str:
    """What it says while it waits."""
    async with tried(writer, broker, way) as follower:
        await until_async(lambda: follower.health()["state"] == "waiting")
        text: str = follower.health()["text"]
        assert text.startswith(f"{way.host}:{broker.port}: ")
        return text


async def reached(writer: LogWriter, broker: Mosquitto, way: Broker) -> None:
    async with tried(writer, broker, way) as follower:
        await until_async(lambda: follower.health()["state"] == "ok")
        assert follower.health()["text"] == ""


async def test_tls_by_an_authority_of_ones_own(tmp_path: Path, writer: LogWriter, authority: Authority) -> None:
    other = Authority(tmp_path / "other", "other")
    way = Broker("127.0.0.1", tls=True, tls_ca_file=str(authority.file), protocol="5")
    with tls(tmp_path, authority.signed("broker")) as broker:
        await reached(writer, broker, way)
        await reached(writer, broker, dataclasses.replace(way, protocol="3.1.1"))
        stranger = await told(writer, broker, dataclasses.replace(way, tls_ca_file=str(other.file)))
        assert f"not signed by anybody trusted by {other.file}" in stranger
        assert "tls_ca_file is not set" in await told(writer, broker, dataclasses.replace(way, tls_ca_file=""))
        plain = await told(writer, broker, dataclasses.replace(way, tls=False))
        assert "tls = true" in plain


@pytest.mark.parametrize(
    ("of", "days", "said"),
    [("IP:127.0.0.1", -1, "not valid today: certificate has expired"),
     ("DNS:broker.example", 2, "for another host: IP address mismatch, certificate is not valid for '127.0.0.1'"),
     ],
)  # fmt: skip
async def test_a_certificate_that_does_not_fit(
    tmp_path: Path, writer: LogWriter, authority: Authority, of: str, days: int, said: str
) -> None:
    with tls(tmp_path, authority.signed(f"odd{days}", of, days)) as broker:
        way = Broker("127.0.0.1", tls=True, tls_ca_file=str(authority.file))
        assert said in await told(writer, broker, way)


async def test_a_broker_that_wants_a_certificate_from_us(
    tmp_path: Path, writer: LogWriter, authority: Authority
) -> None:
    pair = authority.signed("asking")
    with tls(tmp_path, pair, f"cafile {authority.file}", "require_certificate true") as broker:
        way = Broker("127.0.0.1", tls=True, tls_ca_file=str(authority.file))
        assert "tls_cert_file" in await told(writer, broker, way)
        own, key = map(str, authority.signed("bench"))
        await reached(writer, broker, dataclasses.replace(way, tls_cert_file=own, tls_key_file=key))
        unfit = dataclasses.replace(way, tls_cert_file=own, tls_key_file=str(pair[1]))
        assert "mqtt.tls_key_file" in await told(writer, broker, unfit)
        assert "KEY_VALUES_MISMATCH" in await told(writer, broker, unfit)


@pytest.mark.parametrize(
    ("content", "said"), [(None, "No such file"), (b"no certificate", "holds no certificate or key in PEM form")]
)
async def test_a_file_of_certificates_that_cannot_be_used(
    tmp_path: Path, writer: LogWriter, content: bytes | None, said: str
) -> None:
    file = tmp_path / "ca.pem"
    if content is not None:
        file.write_bytes(content)
    with Mosquitto(tmp_path / "broker") as broker:
        way = Broker("127.0.0.1", tls=True, tls_ca_file=str(file))
        text = await told(writer, broker, way)
        assert f"mqtt.tls_ca_file = {str(file)!r}" in text
        assert said in text


async def test_a_broker_that_does_not_speak_tls(tmp_path: Path, writer: LogWriter) -> None:
    with Mosquitto(tmp_path / "broker") as broker:
        assert "does not speak TLS at this port" in await told(writer, broker, Broker("127.0.0.1", tls=True))


@pytest.mark.parametrize(("protocol", "said"), [("3.1.1", "Not authorized"), ("5", "Not authorized")])
async def test_a_wrong_password_waits_says_so_and_goes_on_when_it_is_right(
    tmp_path: Path, writer: LogWriter, protocol: Any, said: str
) -> None:
    file = tmp_path / "password"
    file.write_text("wrong")
    with Mosquitto(tmp_path / "closed", PASSWORDS) as broker:
        way = Broker("127.0.0.1", user="bench", password=file.read_text, protocol=protocol)
        async with tried(writer, broker, way) as follower:
            await until_async(lambda: follower.health()["state"] == "waiting")
            text = follower.health()["text"]
            assert said in text
            assert "does not accept user 'bench' with its password" in text
            assert "wrong" not in text
            file.write_text("right")
            await until_async(lambda: follower.health()["state"] == "ok")
        assert "takes nobody without a name: set mqtt.user and mqtt.password_file" in await told(
            writer, broker, Broker("127.0.0.1", protocol=protocol)
        )


async def test_a_password_file_that_is_gone_is_said(tmp_path: Path, writer: LogWriter) -> None:
    def gone() -> str:
        raise ValueError("mqtt.password_file = 'x': cannot be read: No such file or directory")

    with Mosquitto(tmp_path / "closed", PASSWORDS) as broker:
        text = await told(writer, broker, Broker("127.0.0.1", user="bench", password=gone))
        assert "mqtt.password_file = 'x': cannot be read" in text


@contextlib.asynccontextmanager
async def old_broker(answer: bytes | None, stay: bool = False) -> AsyncIterator[int]:
    """Takes a connection, reads, answers (or not), and closes (or stays)."""
    ended = asyncio.Event()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read(1000)
        if answer is not None:
            writer.write(answer)
            await writer.drain()
        if stay:
            await ended.wait()
        writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    async with server:
        yield int(server.sockets[0].getsockname()[1])
        ended.set()


@pytest.mark.parametrize(
    ("answer", "stay", "said"),
    [
        # MQTT 3.1.1 §3.1.2.2 and §3.2.2.3: CONNACK with return code 1, unacceptable protocol version.
        (bytes([0x20, 0x02, 0x00, 0x01]), False, "the broker does not speak MQTT 5"),
        (None, False, "closed the connection before it accepted it"),
        (None, True, "did not answer within"),
    ],
)
async def test_a_broker_of_before_mqtt_5_is_told_how_to_be_spoken_to(
    writer: LogWriter, monkeypatch: pytest.MonkeyPatch, answer: bytes | None, stay: bool, said: str
) -> None:
    monkeypatch.setattr(mqtt_broker, "TIMEOUT_S", 0.3)
    async with old_broker(answer, stay) as port:
        follower = MqttFollower(writer.path, writer, bench="b", broker=Broker("127.0.0.1", port, protocol="5"))
        async with running(follower):
            await until_async(lambda: follower.health()["state"] == "waiting")
            text = follower.health()["text"]
    assert said in text
    assert 'protocol = "3.1.1"' in text


async def test_nobody_listens(writer: LogWriter) -> None:
    port = free_port()
    follower = MqttFollower(writer.path, writer, bench="b", broker=Broker("127.0.0.1", port))
    async with running(follower):
        await until_async(lambda: follower.health()["state"] == "waiting")
        words = "nothing listens there: is the server running? Check mqtt.host, mqtt.port"
        assert follower.health()["text"] == f"127.0.0.1:{port}: {words}"


async def test_that_it_waits_is_told_and_that_it_sends_again(
    tmp_path: Path, writer: LogWriter, caplog: pytest.LogCaptureFixture
) -> None:
    """At the level that reaches the terminal, both."""
    with Mosquitto(tmp_path / "broker") as broker:
        follower = make(writer, broker)
        async with running(follower):
            await until_async(lambda: follower.health()["state"] == "ok")
            await asyncio.to_thread(broker.stop)
            await until_async(lambda: follower.health()["state"] == "waiting")
            await asyncio.to_thread(broker.start)
            await until_async(lambda: follower.health()["state"] == "ok")
    told = [record.message for record in caplog.records if record.levelname == "WARNING"]
    # It waits for one reason or two: the connection is lost, and then nothing listens.
    waits = [at for at, text in enumerate(told) if text.startswith("mqtt: waiting, no event is lost: ")]
    assert waits != []
    assert "mqtt: sends again" in told[waits[-1] :]


def rights(tmp_path: Path, *of_bench: str) -> Callable[..., None]:
    def write(*lines: str) -> None:
        (tmp_path / "rights").write_text("\n".join(["user bench", *lines, "user reader", "topic readwrite #"]) + "\n")
        (tmp_path / "rights").chmod(0o600)

    write(*of_bench)
    return write


async def test_an_event_that_the_broker_does_not_take_is_kept_until_it_does(tmp_path: Path, writer: LogWriter) -> None:
    """MQTT 5 §3.4.2.1: an acknowledgement may be a refusal. One that is taken for a receipt loses a trip."""
    write = rights(tmp_path, "topic readwrite benchd/+/availability", "topic readwrite benchd/+/who")
    with Configured(tmp_path / "broker", f"acl_file {tmp_path / 'rights'}", users=PASSWORDS) as broker:
        listener = Listener(broker, user="reader", password="r")
        way = Broker("127.0.0.1", user="bench", password="right", protocol="5")
        async with running(listener), tried(writer, broker, way) as follower:
            await until_async(lambda: listener.connected and follower.health()["state"] == "ok")
            await asyncio.wrap_future(writer.submit(lambda log: log.add_trip(tripped())))
            await until_async(lambda: follower.health()["state"] == "waiting")
            said = "benchd/bench-1/psu-a/1/trip: the broker does not take it: Not authorized"
            assert said in follower.health()["text"]
            assert (follower.health()["backlog"], follower.health()["rejected"]) == (1, 0)
            write("topic readwrite #")
            assert broker.process is not None
            broker.process.send_signal(1)  # SIGHUP: reads its files again
            await until_async(lambda: len(listener.on("/trip")) == 1)
            await until_async(lambda: follower.health()["backlog"] == 0)
            # The same for what is sent again after a loss.
            write("topic readwrite benchd/+/availability", "topic readwrite benchd/+/who")
            await asyncio.to_thread(broker.stop)
            await until_async(lambda: follower.health()["state"] == "waiting")
            await asyncio.to_thread(broker.start)
            await until_async(lambda: said in follower.health()["text"])
            write("topic readwrite #")
            broker.process.send_signal(1)
            await until_async(lambda: follower.health()["state"] == "ok" and len(listener.on("/trip")) == 2)


async def test_a_broker_that_allows_fewer_messages_on_their_way_gets_no_more(tmp_path: Path) -> None:
    """MQTT 5 §3.2.2.3.3, Receive Maximum; mosquitto.conf(5): max_inflight_messages. MQTT 3.1.1 knows no such thing."""
    with Configured(tmp_path / "broker", "max_inflight_messages 2") as broker:
        for protocol, most in (("5", 2), ("3.1.1", WINDOW)):
            link = await Broker("127.0.0.1", broker.port, protocol=cast(Any, protocol)).client("one")
            async with link:
                assert link._client.max_inflight_messages == most


async def test_a_broker_that_hands_nothing_to_us_is_told_of(
    tmp_path: Path, writer: LogWriter, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(mqtt_presence, "ECHO_S", 0.2)
    rights(tmp_path, "topic write #")
    alarms: list[str] = []
    with Configured(tmp_path / "broker", f"acl_file {tmp_path / 'rights'}", users=PASSWORDS) as broker:
        way = Broker("127.0.0.1", user="bench", password="right", protocol="5")
        async with tried(writer, broker, way, alarm=alarms.append) as follower:
            await until_async(lambda: follower.health()["state"] == "ok")
            assert "a second daemon that speaks as this bench stays unseen" in follower.health()["text"]
            await asyncio.to_thread(broker.stop)
            await until_async(lambda: follower.health()["state"] == "waiting")
            await asyncio.to_thread(broker.start)
            await until_async(lambda: follower.health()["state"] == "ok")
    assert len(alarms) == 1


async def test_a_connection_that_ends_before_it_is_watched_for_writing_ends_quietly() -> None:
    link = await Broker("127.0.0.1").client("benchd-tried")
    told: list[dict[str, Any]] = []
    asyncio.get_running_loop().set_exception_handler(lambda _, context: told.append(context))
    written: list[bool] = []
    client = SimpleNamespace(loop_write=lambda: written.append(True))
    ours, theirs = socket.socketpair()
    with theirs:
        with ours:
            link._on_socket_register_write(client, None, ours)
            await until_async(lambda: bool(written))
            asyncio.get_running_loop().remove_writer(ours)
            link._on_socket_register_write(client, None, ours)
        await asyncio.sleep(0)
    assert told == []
