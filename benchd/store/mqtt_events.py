"""Trips, findings and ends of procedures on their way to a broker: by cursor, in order, several at once.

None is left out, but one may come again after a break: a consumer drops an `id` that it has seen. A broker that is
killed forgets what it has acknowledged and not yet written to its disk; so what was acknowledged shortly before a
connection was lost is sent again. Who is new to a log begins with the next event.
"""

from __future__ import annotations

import asyncio
import dataclasses
import time
from collections import OrderedDict
from collections.abc import Awaitable, Callable, Sequence
from pathlib import Path
from typing import Any

import aiomqtt
import msgspec

from benchd.jobs.job import JournalEntry
from benchd.store.follower import Follower, Kept, Stream, Writer
from benchd.store.follower_rows import Rejected
from benchd.store.log import Log
from benchd.store.mqtt_broker import WINDOW, BrokerError, Declined, Link
from benchd.store.mqtt_payloads import ProcedureResult
from benchd.store.mqtt_topics import EVENTS, TOPICS

AGAIN_S = 60.0
AGAIN_MOST = 200
"""So much of what was acknowledged before a connection was lost is sent again: of so many s, and so many events."""


@dataclasses.dataclass(frozen=True, slots=True)
class Event:
    """A journal entry on its way: `seq` for the cursor."""

    seq: int
    topic: str
    payload: bytes


def event_of(bench: str, log_id: str, entry: JournalEntry) -> Event:
    """A journal entry as it goes out: what its payload names, and nothing else that an entry may hold."""
    topic = TOPICS[EVENTS[entry.kind]]
    assert topic.payload is not None
    facts = {**entry.payload, **msgspec.structs.asdict(entry), "id": f"{log_id}-{entry.seq}"}
    named = {key: facts[key] for key in topic.payload.__struct_fields__ if key in facts}
    if entry.kind == "procedure":
        named |= {"run": str(facts.get("run", "")), "results": _results(entry.payload)}
    name = topic.of(bench=bench, supply=entry.supply or "", channel=entry.channel or 0)
    return Event(entry.seq, name, msgspec.json.encode(named))


def _results(payload: dict[str, Any]) -> list[dict[str, Any]]:
    """Those of a run, without what somebody typed. An entry that does not say which those are has figures only."""
    found, typed = [], payload.get("typed")
    for result in payload.get("results", ()):
        named = {key: result[key] for key in ProcedureResult.__struct_fields__ if key in result}
        if typed is None or named.get("name") in typed:
            named.pop("title", None)
            if isinstance(named.get("value"), str):
                named["value"] = None
        found.append(named)
    return found


class Events:
    """The stream of a log to one broker. Belongs to the event loop."""

    def __init__(
        self, path: Path | str, writer: Writer, bench: str, *, sleep: Callable[[float], Awaitable[object]]
    ) -> None:
        self._bench = bench
        self._link: Link | None = None
        self._recent: OrderedDict[int, tuple[float, Event]] = OrderedDict()
        """By seq: when it was acknowledged last."""
        self._again: list[Event] = []
        stream = Stream(
            self._after,
            lambda db: db.followers.head("journal", tuple(EVENTS)),
            start_at_end=True,
            oldest=lambda db, seq: db.followers.oldest("journal", seq, tuple(EVENTS)),
        )
        self._follower: Follower[Event] = Follower("mqtt", path, writer, stream, self._send, sleep=sleep)
        self.look = self._follower.look
        self.health: Callable[[], dict[str, Any]] = self._follower.health
        self.close = self._follower.close

    async def run(self, link: Link) -> None:
        """Send over a connection until it is lost (MqttError) or this is cancelled."""
        self._link = link
        try:
            while self._again:
                await self._send(self._again[:WINDOW])
                del self._again[:WINDOW]
        except Kept as e:
            raise BrokerError(e.text) from None
        await self._follower.run()

    def lost(self) -> None:
        """The connection is gone."""
        self._link = None
        now = time.monotonic()
        self._again = [event for at, event in self._recent.values() if now - at <= AGAIN_S]

    def _after(self, db: Log, seq: int) -> list[Event]:
        return [event_of(self._bench, db.log_id, e) for e in db.entries_after(seq, WINDOW, tuple(EVENTS))]

    async def _send(self, batch: Sequence[Event]) -> list[Rejected]:
        """All on their way at once, in order. What is acknowledged without a gap counts, also when another is not."""
        link = self._link
        if link is None:
            raise aiomqtt.MqttError("not connected")
        sends = [asyncio.ensure_future(self._send_one(link, event)) for event in batch]
        try:
            for event, sent in zip(batch, sends, strict=True):
                rejected = await sent
                self._follower.accepted(event.seq, () if rejected is None else (rejected,))
                if rejected is None:
                    self._acknowledged(event)
        finally:
            for sent in sends:
                sent.cancel()
            await asyncio.gather(*sends, return_exceptions=True)
        return []

    def _acknowledged(self, event: Event) -> None:
        self._recent[event.seq] = (time.monotonic(), event)
        while len(self._recent) > AGAIN_MOST:
            self._recent.popitem(last=False)

    async def _send_one(self, link: Link, event: Event) -> Rejected | None:
        try:
            await link.publish(event.topic, event.payload, qos=1)  # returns with the broker's PUBACK
        except ValueError as e:  # a topic or payload that MQTT does not allow
            return Rejected(event.seq, str(e), f"{event.topic} {event.payload.decode()}")
        except Declined as e:
            if e.for_good:
                return Rejected(event.seq, str(e), f"{event.topic} {event.payload.decode()}")
            raise Kept(f"{event.topic}: {e}") from None
        return None
