"""Kill -9 of a real MQTT broker at random instants while trips and findings flow to it; then compare with the log.

The broker keeps sessions on its disk and writes after each change, as fast as it can be made to; what it acknowledges
just before it is killed is lost all the same, now and then. A subscriber with a session that lasts (QoS 1) must have
every trip and finding, each once after repeats are dropped by their id. It is away itself at times.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import random
import tempfile
import time
from pathlib import Path
from typing import Any

from benchd.store.log import Log
from benchd.store.mqtt import MqttFollower
from benchd.store.mqtt_broker import Broker
from benchd.store.mqtt_topics import EVENTS
from benchd.store.writer import LogWriter
from tests.services import Mosquitto
from tests.store.making import trace_row, tripped, until_async
from tests.store.mqtt_parts import Listener, short_sleep

EVENT_EVERY_S = 0.15
LIFE_S, AWAY_S = (0.05, 4.0), (0.0, 1.0)
"""How long the broker lives from one kill to the next, and how long it is away."""
SUBSCRIBER_AWAY = 0.25
"""In this share of the broker's lives the subscriber goes away, too."""


class Keeping(Mosquitto):
    """Writes all it keeps to its disk after each change (mosquitto.conf(5): autosave_on_changes, autosave_interval)."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        with (folder / "mosquitto.conf").open("a") as file:
            file.write("autosave_on_changes true\nautosave_interval 1\n")


class Busy:
    """A log in which trips and findings are written down without a pause."""

    def __init__(self, writer: LogWriter) -> None:
        self._writer = writer
        self.ending = asyncio.Event()

    async def run(self) -> None:
        """Until `ending` is set."""
        while not self.ending.is_set():
            t_ns = time.time_ns()
            await asyncio.wrap_future(self._writer.submit(lambda log, t=t_ns: log.add_trip(tripped(t), "R-1042")))
            row = trace_row(f"t-{t_ns}", start_ns=t_ns)
            await asyncio.wrap_future(self._writer.submit(lambda log, r=row: log.add_trace(r)))
            await asyncio.sleep(EVENT_EVERY_S)


class Subscriber(Listener):
    """May be taken away from the broker and brought back."""

    def __init__(self, broker: Mosquitto) -> None:
        super().__init__(broker)
        self._task: asyncio.Task[None] | None = None

    def come(self) -> None:
        if self._task is None:
            self._task = asyncio.create_task(self.run())

    async def go(self) -> None:
        task, self._task = self._task, None
        if task is not None:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)
            self.connected = False

    def ids(self) -> list[str]:
        """Of trips and findings, in the order in which they came first."""
        events = [m for m in self.messages if str(m.topic).rsplit("/", 1)[-1] in EVENTS.values()]
        return [json.loads(m.payload)["id"] for m in events]


async def killed(broker: Keeping, folder: Path, kills: int, seed: int) -> dict[str, Any]:
    """Write, follow, kill so often; figures, of which `missing` and `extra` must be 0 and `ordered` true."""
    rng = random.Random(seed)
    writer = LogWriter(folder / "log.sqlite")
    follower = MqttFollower(
        writer.path, writer, bench="bench-1", broker=Broker("127.0.0.1", broker.port, protocol="5"), sleep=short_sleep
    )
    busy, subscriber = Busy(writer), Subscriber(broker)
    subscriber.come()
    tasks = [asyncio.create_task(follower.run())]
    try:
        await until_async(lambda: subscriber.connected and follower.health()["state"] == "ok")
        await until_async((folder / "broker" / "mosquitto.db").exists)  # its session is on the disk
        tasks.append(asyncio.create_task(busy.run()))
        for _ in range(kills):
            if rng.random() < SUBSCRIBER_AWAY:
                await subscriber.go()
            await asyncio.sleep(rng.uniform(*LIFE_S))
            await asyncio.to_thread(broker.kill)
            await asyncio.sleep(rng.uniform(*AWAY_S))
            await asyncio.to_thread(broker.start)
            subscriber.come()
        busy.ending.set()
        await tasks[1]
        await until_async(lambda: follower.health()["state"] == "ok" and follower.health()["backlog"] == 0, 60)
        with Log.open(writer.path, read_only=True) as log:
            given = [f"{log.log_id}-{e.seq}" for e in log.entries_after(0, 1_000_000, tuple(EVENTS))]
        with contextlib.suppress(TimeoutError):
            await until_async(lambda: set(subscriber.ids()) >= set(given), 20)
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        await subscriber.go()
        writer.close()
    came = subscriber.ids()
    first = list(dict.fromkeys(came))
    return {
        "kills": kills, "events": len(given), "came": len(came), "repeats": len(came) - len(first),
        "missing": len(set(given) - set(first)), "extra": len(set(first) - set(given)),
        "out_of_order": sum(a != b for a, b in zip(first, given, strict=False)),
        "rejected": follower.health()["rejected"],
    }  # fmt: skip


def figures(kills: int, folder: Path, seed: int) -> dict[str, Any]:
    """Of one run."""
    with Keeping(folder / "broker") as broker:
        return asyncio.run(killed(broker, folder, kills, seed))


def exact(found: dict[str, Any]) -> bool:
    """Each event once, after repeats are dropped."""
    return not (found["missing"] or found["extra"] or found["rejected"])


def run(count: int) -> int:
    """So many kills, at a seed that is printed."""
    seed = time.time_ns() % 100_000
    began = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        found = figures(count, Path(folder), seed)
    print(json.dumps({"seed": seed, "s": round(time.monotonic() - began, 1)} | found))
    print("every event, once each by its id" if exact(found) else "NOT exact")
    return 0 if exact(found) else 1
