"""The MQTT link: live readings, state, every trip and finding, and commands with their answers, `benchd/<bench>/`.

Topics and payloads: MQTT.md beside this file, made from `mqtt_topics` and `mqtt_payloads`.

A state holds only while availability is "online" and its run is that of `who`: the broker keeps the last one when the
daemon is gone. What is known of every output is published before each "online", so an old state is never vouched for.

The session is clean, so that no broker keeps a command for a daemon that is away. A command goes on when the connection
is lost; its answer is then lost with it.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import random
import secrets
import socket
import time
from collections.abc import Awaitable, Callable, Iterable
from pathlib import Path
from typing import Any, Literal, NamedTuple

import aiomqtt
import msgspec
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from benchd import __version__
from benchd.store.errors import LogError
from benchd.store.follower import Backoff, Writer
from benchd.store.log import Log
from benchd.store.mqtt_broker import Broker, Link, first_of, not_granted
from benchd.store.mqtt_discovery import Output, configs, is_config, old_filter
from benchd.store.mqtt_events import Events
from benchd.store.mqtt_payloads import Answer, Reading, State, Who
from benchd.store.mqtt_presence import NameTaken, Presence, machine
from benchd.store.mqtt_topics import TOPICS

log = logging.getLogger(__name__)

LIVE_EVERY_S = 0.1
GOODBYE_S = 2.0
"""How long the end of the daemon may wait for the broker."""
COMMANDS_AT_ONCE = 32
"""Commands that are being carried out; beyond that the sender hears that there are too many."""
MOST_LEFT = 1000
"""Topics that wait to be taken away; what is beyond is found again at the next connect."""
TAKEN_S = 30.0
"""While another daemon has our name: looked at again after this, to twice this."""
ANSWER_KEPT_S = 600
"""An answer that a broker could not hand over for so long is of no use any more (MQTT 5 §3.3.2.3.3)."""


class Command(NamedTuple):
    """A message to `do/…`, as it came. Supply and channel None: for the whole bench."""

    supply: str | None
    channel: str | None
    word: str
    payload: bytes
    retained: bool
    """The broker kept it from an earlier time, or was asked to keep it: no order for now."""
    crowded: bool
    """So many are being carried out already that only what must not wait should be."""


Carry = Callable[[Command], Awaitable[Answer]]


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
        broker: Broker,
        outputs: Iterable[Output] | None = None,
        discovery_prefix: str = "homeassistant",
        discovery: bool = False,
        carry: Carry | None = None,
        alarm: Callable[[str], None] = log.warning,
        sleep: Callable[[float], Awaitable[object]] = asyncio.sleep,
        backoff: Backoff | None = None,
    ) -> None:
        """`outputs`: all there are; what is retained of others is taken away. None: nothing is. `alarm`: tells the
        operator of something that does not stop it."""
        self._bench, self._broker, self._path = bench, broker, Path(path)
        self._outputs = None if outputs is None else tuple(outputs)
        self._prefix, self._discovery = discovery_prefix, discovery
        self._carry, self._alarm = carry, alarm
        self._sleep, self._backoff = sleep, backoff or Backoff(longest_s=30.0)
        self._who = Who(secrets.token_hex(8), None, __version__, time.time_ns(), host=socket.gethostname())
        self._doing: set[asyncio.Task[None]] = set()
        self._client: Link | None = None
        self._live: dict[str, Reading] = {}
        self._live_ready = asyncio.Event()
        self._states: dict[str, bytes] = {}
        self._changed: set[str] = set()
        self._state_ready = asyncio.Event()
        self._left: asyncio.Queue[str] = asyncio.Queue(MOST_LEFT)
        self._rivals: set[str] = set()
        self._state: Literal["ok", "waiting", "stopped"] = "stopped"
        self._text = "not started"
        self._note = ""
        """What the broker withholds, as it was told last."""
        self._events = Events(path, writer, bench, sleep=sleep)

    # ---- for the daemon ---------------------------------------------------------------------------------------

    def publish_live(self, supply: str, channel: int, reading: Reading) -> None:
        """Show the newest reading. The newest wins; while there is no connection it is forgotten."""
        if self._client is not None:
            self._live[TOPICS["reading"].of(bench=self._bench, supply=supply, channel=channel)] = reading
            self._live_ready.set()

    def publish_state(self, supply: str, channel: int, state: State) -> None:
        """Show what is known of an output. Kept, and published again after each reconnect."""
        topic = TOPICS["state"].of(bench=self._bench, supply=supply, channel=channel)
        state = msgspec.structs.replace(state, run=self._who.run, t_ns=time.time_ns())
        self._states[topic] = msgspec.json.encode(state)
        self._changed.add(topic)
        self._state_ready.set()

    def health(self) -> dict[str, Any]:
        """state (ok, waiting, stopped), text, backlog (events still to be sent, at most), rejected, last_ok_ns …"""
        events = self._events.health()
        if self._state != "ok":
            return events | {"state": self._state, "text": self._text}
        text = events["text"] or self._text
        return events | {"text": f"{self._broker.address}: {text}" if text else ""}

    # ---- the connection ---------------------------------------------------------------------------------------

    async def run(self) -> None:
        """Connect, publish, connect again when lost, until cancelled."""
        try:
            while True:
                error: BaseException = aiomqtt.MqttError("")
                try:
                    with contextlib.suppress(LogError):  # while the log is down, state and readings go out all the same
                        await self._events.look()
                    await self._connection()
                except* (aiomqtt.MqttError, LogError) as group:
                    error = first_of(group)
                text = str(error) if isinstance(error, LogError) else self._broker.explain(error)
                if self._state != "waiting" or self._text != text:
                    log.warning("mqtt: waiting, no event is lost: %s", text)
                self._state, self._text = "waiting", text
                taken = isinstance(error, NameTaken)
                await self._sleep(TAKEN_S * (1.0 + random.random()) if taken else self._backoff.next_s())  # noqa: S311
        finally:
            self._state, self._text = "stopped", "not running"
            for task in self._doing:
                task.cancel()
            self._events.close()

    async def _connection(self) -> None:
        self._who = msgspec.structs.replace(self._who, log=await asyncio.to_thread(self._log_id) or self._who.log)
        # The same id at each connect of this run: when a half-dead connection of ours still stands at the broker, this
        # one replaces it and its will is published before our "online". Another daemon of our name has another id, or
        # the two would throw each other out for ever.
        will = aiomqtt.Will(TOPICS["availability"].of(bench=self._bench), b"offline", qos=1, retain=True)
        link = await self._broker.client(
            f"benchd-{self._bench}-{self._who.run[:8]}",
            will,
            max_queued_incoming_messages=1000,  # only what one round of the loop brings: each is taken at once
            max_queued_outgoing_messages=100,
        )
        presence = Presence(link, self._bench, self._who, lambda: self._say(link), self._told_of)
        async with link:
            try:
                async with asyncio.TaskGroup() as group:
                    group.create_task(self._take(link, presence), name="mqtt messages")
                    told = await presence.claim()
                    await self._say(link)
                    self._live.clear()
                    self._client = link
                    told = await self._take_orders(link) or told
                    await self._tidy(link)
                    if told and told != self._note:
                        self._alarm(f"mqtt {self._broker.address}: {told}")
                    if self._state == "waiting":  # whoever read that it waits is given the all-clear
                        log.warning("mqtt: sends again")
                    self._state, self._text, self._note = "ok", told, told
                    self._backoff.reset()
                    group.create_task(presence.keep(), name="mqtt name")
                    group.create_task(self._events.run(link), name="mqtt events")
                    group.create_task(self._send_live(link), name="mqtt live")
                    group.create_task(self._send_states(link), name="mqtt states")
                    group.create_task(self._clear_left(link), name="mqtt left")
            except asyncio.CancelledError:
                # A clean end discards the will, so say it ourselves; the last states (off) are often not out yet.
                if presence.holding:
                    await self._goodbye(link)
                raise
            finally:
                self._client = None
                self._events.lost()

    def _log_id(self) -> str:
        with contextlib.suppress(LogError):
            db = Log.open(self._path, read_only=True)
            try:
                return db.log_id
            finally:
                db.close()
        return ""

    async def _say(self, link: Link) -> None:
        """All that is known of the outputs, and then that it holds."""
        self._changed |= set(self._states)
        await self._publish_states(link)
        await link.publish(TOPICS["availability"].of(bench=self._bench), b"online", qos=1, retain=True)

    async def _goodbye(self, link: Link) -> None:
        with contextlib.suppress(aiomqtt.MqttError, TimeoutError):
            async with asyncio.timeout(GOODBYE_S):
                await self._publish_states(link)
                await link.publish(TOPICS["availability"].of(bench=self._bench), b"offline", qos=1, retain=True)

    def _told_of(self, rival: Who) -> None:
        """Another daemon wants our name; it is told off, and the operator is told once."""
        if rival.run not in self._rivals:
            self._rivals.add(rival.run)
            self._alarm(
                f'mqtt {self._broker.address}: a second daemon wants to speak as bench "{self._bench}" '
                f'({machine(rival)}); it is kept silent: give one of them another  bench = "..."  in its settings'
            )

    async def _send_live(self, link: Link) -> None:
        while True:
            await self._live_ready.wait()
            self._live_ready.clear()
            waiting, self._live = self._live, {}
            for topic, reading in waiting.items():
                await link.publish(topic, msgspec.json.encode(reading), qos=0)
            await asyncio.sleep(LIVE_EVERY_S)

    async def _send_states(self, link: Link) -> None:
        while True:
            await self._state_ready.wait()
            self._state_ready.clear()
            await self._publish_states(link)

    async def _publish_states(self, link: Link) -> None:
        while self._changed:
            topic = next(iter(self._changed))
            payload = self._states[topic]
            await link.publish(topic, payload, qos=1, retain=True)
            if self._states[topic] is payload:  # not for a publish that was cut short: the end sends it again
                self._changed.discard(topic)

    # ---- what was left at the broker --------------------------------------------------------------------------

    async def _tidy(self, link: Link) -> None:
        """Describe the outputs to hubs, or no more; ask for what is kept of outputs that are not there any more."""
        if self._outputs is None:
            return
        wanted = configs(self._prefix, self._bench, self._outputs) if self._discovery else {}
        for topic, payload in wanted.items():
            await link.publish(topic, payload, qos=1, retain=True)
        filters = [TOPICS["state"].filter(bench=self._bench), old_filter(self._prefix, self._bench)]
        # What is kept comes before the answer to the second of the two; where it is not allowed, nothing comes.
        await link.subscribe([(each, 0) for each in filters])
        await link.unsubscribe(filters)

    def _is_left(self, topic: str) -> bool:
        if self._outputs is None:
            return False
        if is_config(self._prefix, self._bench, topic):
            return not (self._discovery and topic in configs(self._prefix, self._bench, self._outputs))
        state = TOPICS["state"]
        mine = {state.of(bench=self._bench, supply=supply, channel=channel) for supply, channel in self._outputs}
        return (state.levels(topic) or {}).get("bench") == self._bench and topic not in mine | set(self._states)

    async def _clear_left(self, link: Link) -> None:
        """An empty retained message takes away the one that was kept (MQTT 3.1.1 §3.3.1.3)."""
        while True:
            await link.publish(await self._left.get(), b"", qos=1, retain=True)

    # ---- commands ---------------------------------------------------------------------------------------------

    async def _take_orders(self, link: Link) -> str:
        """Subscribe to commands. Why they do not come, or ''."""
        if self._carry is None:
            return ""
        filters = [TOPICS[kind].filter(bench=self._bench) for kind in ("command", "bench-command")]
        if self._broker.protocol == "5":
            # MQTT 5 §3.8.3.1: what the broker has kept is not sent (Retain Handling 2), so all that comes is said now;
            # and what is to be kept from now on is told from an order for now (Retain As Published).
            options = SubscribeOptions(
                qos=1, retainAsPublished=True, retainHandling=SubscribeOptions.RETAIN_DO_NOT_SEND
            )
            topics: Any = [(each, options) for each in filters]
        else:
            topics = [(each, 1) for each in filters]
        if refused := not_granted(await link.subscribe(topics)):
            return f"no command comes from this broker, off neither: it does not let us read {filters[0]} ({refused})"
        return ""

    async def _take(self, link: Link, presence: Presence) -> None:
        """Raises MqttError when the connection is lost, NameTaken."""
        async for message in link.messages:
            topic = message.topic.value
            if presence.take(message):
                continue
            for kind in ("command", "bench-command"):
                if (levels := TOPICS[kind].levels(topic)) is not None and levels["bench"] == self._bench:
                    self._order(levels, message)
            if message.retain and message.payload and self._is_left(topic) and not self._left.full():
                self._left.put_nowait(topic)

    def _order(self, levels: dict[str, str], message: aiomqtt.Message) -> None:
        """Off must not wait for an on that takes its time: each is a task of its own, and not of this connection."""
        payload = message.payload if isinstance(message.payload, bytes) else b""
        if self._carry is None or (message.retain and not payload):  # somebody takes a retained one away
            return
        crowded = len(self._doing) >= COMMANDS_AT_ONCE
        place = levels.get("supply"), levels.get("channel")
        # With MQTT 5 it is said now, even if it is to be kept as well: then off is off, and only the rest is in doubt.
        now = self._broker.protocol == "5" and levels["word"] == "off"
        command = Command(*place, levels["word"], payload, bool(message.retain) and not now, crowded)
        task = asyncio.create_task(self._do(self._carry, command), name=f"mqtt {command.word}")
        self._doing.add(task)
        task.add_done_callback(self._doing.discard)

    async def _do(self, carry: Carry, command: Command) -> None:
        answer = await carry(command)
        link = self._client
        if link is None:
            log.warning("mqtt: the answer to %s has no connection to go out by", answer.id)
            return
        properties = None
        if self._broker.protocol == "5":
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            properties.MessageExpiryInterval = ANSWER_KEPT_S
        topic = TOPICS["done"].of(bench=self._bench, id=answer.id)
        with contextlib.suppress(aiomqtt.MqttError):
            await link.publish(topic, msgspec.json.encode(answer), qos=1, properties=properties)
