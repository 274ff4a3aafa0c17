"""The MQTT link: live readings, state, every trip and finding, and commands with their answers, `benchd/<bench>/`.

    benchd/<bench>/availability                   "online" or "offline"   retained, QoS 1, with a will
    benchd/<bench>/<supply>/<channel>/reading     newest reading          QoS 0, at most 10 a second, none while offline
    benchd/<bench>/<supply>/<channel>/state       output, job, latch …    retained, QoS 1
    benchd/<bench>/<supply>/<channel>/trip        a trip                  QoS 1, by cursor
    benchd/<bench>/<supply>/<channel>/finding     a filed or re-read trace and its finding   QoS 1, by cursor
    benchd/<bench>/do/<supply>/<channel>/<word>   commands, subscribed to with QoS 1 (what they mean: `Carry`)
    benchd/<bench>/done/<id>                      the answer to the command with that id     QoS 1

Payloads but availability are JSON objects with the unit in the key (`current_a`, `t_ns` = ns since the epoch).
A state holds only while availability is "online": the broker keeps the last one when the daemon is gone. What is known
of every output is published before each "online", so an old state is never vouched for.
Trips and findings are never left out, but one may come twice after a break: drop an `id` that was seen before. A
follower that is new to a log begins with the next event.

The session is clean (MQTT 3.1.1 §3.1.2.4), so that no broker keeps a command for a daemon that is away and hands it
over when nobody expects it any more. A command goes on when the connection is lost; its answer is then lost with it.
"""

from __future__ import annotations

import asyncio
import contextlib
import dataclasses
import logging
import ssl
import time
from collections.abc import Awaitable, Callable, Sequence
from pathlib import Path
from typing import Any, Literal, NamedTuple

import aiomqtt
import msgspec

from benchd.store.errors import LogError
from benchd.store.follower import Backoff, Follower, Stream, Writer
from benchd.store.follower_rows import Rejected
from benchd.store.log import Log

log = logging.getLogger(__name__)

KEEPALIVE_S = 10
"""The broker tells that we are gone after 1.5 times this (MQTT 3.1.1 §3.1.2.10)."""
LIVE_EVERY_S = 0.1
TIMEOUT_S = 10.0
GOODBYE_S = 2.0
"""How long the end of the daemon may wait for the broker."""
COMMANDS_AT_ONCE = 32
"""Commands that are being carried out; beyond that the sender hears that there are too many."""
_TOPICS = {"trip": "trip", "trace": "finding", "finding": "finding"}
"""Journal kind → last level of the topic."""


@dataclasses.dataclass(frozen=True, slots=True)
class Event:
    """A journal entry on its way: `seq` for the cursor."""

    seq: int
    topic: str
    payload: bytes


class Command(NamedTuple):
    """A message to `do/<supply>/<channel>/<word>`, as it came. `retained`: the broker kept it from an earlier time."""

    supply: str
    channel: str
    word: str
    payload: bytes
    retained: bool
    crowded: bool
    """So many are being carried out already that only what must not wait should be."""


class Done(NamedTuple):
    """The answer to a command. `id` is the last level of its topic."""

    id: str
    answer: dict[str, Any]


Carry = Callable[[Command], Awaitable[Done]]


class MqttFollower:
    """One connection to a broker, made again whenever it is lost. `run` until cancelled.

    All methods belong to the event loop that runs `run`.
    """

    def __init__(
        self,
        path: Path | str,
        writer: Writer,
        *,
        bench: str,
        host: str,
        port: int = 1883,
        user: str = "",
        password: str = "",
        tls: bool = False,
        carry: Carry | None = None,
        sleep: Callable[[float], Awaitable[object]] = asyncio.sleep,
        backoff: Backoff | None = None,
    ) -> None:
        self._base = f"benchd/{bench}"
        self._bench, self._host, self._port = bench, host, port
        self._user, self._password, self._tls = user, password, tls
        self._carry = carry
        self._doing: set[asyncio.Task[None]] = set()
        self._sleep, self._backoff = sleep, backoff or Backoff(longest_s=30.0)
        self._client: aiomqtt.Client | None = None
        self._live: dict[str, dict[str, Any]] = {}
        self._live_ready = asyncio.Event()
        self._states: dict[str, bytes] = {}
        self._changed: set[str] = set()
        self._state_ready = asyncio.Event()
        self._state: Literal["ok", "waiting", "stopped"] = "stopped"
        self._text = "not started"
        stream = Stream(self._events_after, lambda db: db.followers.head("journal", tuple(_TOPICS)), start_at_end=True)
        self._events: Follower[Event] = Follower("mqtt", path, writer, stream, self._send_event, sleep=sleep)

    # ---- for the daemon ---------------------------------------------------------------------------------------

    def publish_live(self, supply: str, channel: int, reading: dict[str, Any]) -> None:
        """Show the newest reading. The newest wins; while there is no connection it is forgotten."""
        if self._client is not None:
            self._live[f"{self._base}/{supply}/{channel}/reading"] = reading
            self._live_ready.set()

    def publish_state(self, supply: str, channel: int, state: dict[str, Any]) -> None:
        """Show what is known of an output. Kept, and published again after each reconnect."""
        topic = f"{self._base}/{supply}/{channel}/state"
        self._states[topic] = msgspec.json.encode({**state, "t_ns": time.time_ns()})
        self._changed.add(topic)
        self._state_ready.set()

    def health(self) -> dict[str, Any]:
        """state (ok, waiting, stopped), text, backlog (events still to be sent, at most), rejected, last_ok_ns."""
        events = self._events.health()
        if self._state != "ok":
            return events | {"state": self._state, "text": self._text}
        return events

    # ---- the connection ---------------------------------------------------------------------------------------

    async def run(self) -> None:
        """Connect, publish, connect again when lost, until cancelled."""
        try:
            while True:
                text = ""
                try:
                    with contextlib.suppress(LogError):  # while the log is down, state and readings go out all the same
                        await self._events.look()
                    await self._connection()
                except* (aiomqtt.MqttError, LogError) as group:
                    text = str(_first(group))
                if self._state != "waiting":
                    log.warning("mqtt %s:%d: waiting, no event is lost: %s", self._host, self._port, text)
                self._state, self._text = "waiting", f"{self._host}:{self._port}: {text}"
                await self._sleep(self._backoff.next_s())
        finally:
            self._state, self._text = "stopped", "not running"
            for task in self._doing:
                task.cancel()
            self._events.close()

    async def _connection(self) -> None:
        availability = f"{self._base}/availability"
        client = aiomqtt.Client(
            self._host,
            self._port,
            username=self._user or None,
            password=self._password or None,
            # Always the same id: when a half-dead connection of ours still stands at the broker, this one replaces it
            # and its will is published before our "online", not minutes after it.
            identifier=f"benchd-{self._bench}",
            will=aiomqtt.Will(availability, b"offline", qos=1, retain=True),
            keepalive=KEEPALIVE_S,
            timeout=TIMEOUT_S,
            max_queued_incoming_messages=1000,  # only what one round of the loop brings: each is taken at once
            max_queued_outgoing_messages=100,
            tls_context=ssl.create_default_context() if self._tls else None,
        )
        async with client:
            self._changed = set(self._states)
            try:
                await self._publish_states(client)
                await client.publish(availability, b"online", qos=1, retain=True)
                self._live.clear()
                self._client = client
                if self._carry is not None:
                    await client.subscribe(f"{self._base}/do/+/+/+", qos=1)
                self._state, self._text = "ok", ""
                self._backoff.reset()
                log.info("mqtt %s:%d: connected", self._host, self._port)
                async with asyncio.TaskGroup() as group:
                    group.create_task(self._events.run(), name="mqtt events")
                    group.create_task(self._send_live(client), name="mqtt live")
                    group.create_task(self._send_states(client), name="mqtt states")
                    group.create_task(self._take_commands(client), name="mqtt commands")
            except asyncio.CancelledError:
                # A clean end discards the will, so say it ourselves; the last states (off) are often not out yet.
                with contextlib.suppress(aiomqtt.MqttError, TimeoutError):
                    async with asyncio.timeout(GOODBYE_S):
                        await self._publish_states(client)
                        await client.publish(availability, b"offline", qos=1, retain=True)
                raise
            finally:
                self._client = None

    async def _send_live(self, client: aiomqtt.Client) -> None:
        while True:
            await self._live_ready.wait()
            self._live_ready.clear()
            waiting, self._live = self._live, {}
            for topic, reading in waiting.items():
                await client.publish(topic, msgspec.json.encode(reading), qos=0)
            await asyncio.sleep(LIVE_EVERY_S)

    async def _send_states(self, client: aiomqtt.Client) -> None:
        while True:
            await self._state_ready.wait()
            self._state_ready.clear()
            await self._publish_states(client)

    async def _publish_states(self, client: aiomqtt.Client) -> None:
        while self._changed:
            topic = next(iter(self._changed))
            payload = self._states[topic]
            await client.publish(topic, payload, qos=1, retain=True)
            if self._states[topic] is payload:  # not for a publish that was cut short: the end sends it again
                self._changed.discard(topic)

    # ---- commands ---------------------------------------------------------------------------------------------

    async def _take_commands(self, client: aiomqtt.Client) -> None:
        """Raises MqttError when the connection is lost. Off must not wait for an on that takes its time: each command
        is a task of its own, and not of this connection."""
        async for message in client.messages:
            *_, supply, channel, word = message.topic.value.split("/")
            payload = message.payload if isinstance(message.payload, bytes) else b""
            crowded = len(self._doing) >= COMMANDS_AT_ONCE
            command = Command(supply, channel, word, payload, bool(message.retain), crowded)
            task = asyncio.create_task(self._do(command), name=f"mqtt {word}")
            self._doing.add(task)
            task.add_done_callback(self._doing.discard)

    async def _do(self, command: Command) -> None:
        assert self._carry is not None
        done = await self._carry(command)
        if self._client is None:
            log.warning("mqtt: the answer to %s has no connection to go out by", done.id)
            return
        with contextlib.suppress(aiomqtt.MqttError):
            await self._client.publish(f"{self._base}/done/{done.id}", msgspec.json.encode(done.answer), qos=1)

    # ---- events -----------------------------------------------------------------------------------------------

    def _events_after(self, db: Log, seq: int) -> list[Event]:
        # One at a time: the cursor moves after each acknowledgement, so a break repeats one event at most.
        return [
            Event(
                e.seq,
                f"{self._base}/{e.supply}/{e.channel}/{_TOPICS[e.kind]}",
                msgspec.json.encode(
                    {
                        **e.payload,
                        "id": f"{db.log_id}-{e.seq}",
                        "kind": e.kind,
                        "t_ns": e.t_ns,
                        "job": e.job,
                        "supply": e.supply,
                        "channel": e.channel,
                        "trace": e.trace,
                    }
                ),
            )
            for e in db.entries_after(seq, 1, tuple(_TOPICS))
        ]

    async def _send_event(self, batch: Sequence[Event]) -> list[Rejected]:
        client = self._client
        if client is None:
            raise aiomqtt.MqttError("not connected")
        rejected = []
        for event in batch:
            try:
                await client.publish(event.topic, event.payload, qos=1)  # returns with the broker's PUBACK
            except ValueError as e:  # a topic or payload that MQTT does not allow
                rejected.append(Rejected(event.seq, str(e), f"{event.topic} {event.payload.decode()}"))
        return rejected


def _first(group: BaseExceptionGroup[Any]) -> BaseException:
    error: BaseException = group
    while isinstance(error, BaseExceptionGroup):
        error = error.exceptions[0]
    return error
