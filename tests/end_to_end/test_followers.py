"""The whole daemon with a real broker and a real time-series server that go away while it records, and come back."""

from __future__ import annotations

import asyncio
import json
import os
import time
from pathlib import Path
from typing import Any

import aiomqtt

from benchd.store.log import Log
from tests.running import Bench, Running, running, until
from tests.services import Mosquitto, VictoriaMetrics
from tests.simulated import SimulatedSupply

OUTAGE_S = float(os.environ.get("BENCHD_TEST_OUTAGE_S", "3"))
"""How long both servers are away; 30 for the long form by hand."""


class Subscriber:
    """Everything the broker hands out for this bench, kept by a session that survives the broker's absence."""

    def __init__(self, port: int) -> None:
        self.port = port
        self.seen: list[tuple[str, bytes, bool]] = []

    async def run(self) -> None:
        while True:
            try:
                async with aiomqtt.Client("127.0.0.1", self.port, identifier="tester", clean_session=False) as client:
                    await client.subscribe("benchd/tried/#", qos=1)
                    async for m in client.messages:
                        assert isinstance(m.payload, bytes)
                        self.seen.append((m.topic.value, m.payload, m.retain))
            except aiomqtt.MqttError:
                await asyncio.sleep(0.05)

    def payloads(self, ending: str) -> list[Any]:
        return [json.loads(p) for topic, p, _ in self.seen if topic.endswith(ending)]


async def eventually(good: Any, what: str, within_s: float = 30) -> None:
    await asyncio.to_thread(until, good, bool, what, within_s)


def stored(daemon: Running) -> list[int]:
    """Times of all readings of channel 1 in the log, whole ms."""
    with Log.open(daemon.log_file, read_only=True) as log:
        return [int(t) // 1_000_000 for t in log.samples("s", 1, 0, 1 << 62).t_ns]


async def test_an_outage_of_both_servers_loses_nothing_and_repeats_nothing(tmp_path: Path) -> None:
    with (
        SimulatedSupply() as sim,
        Mosquitto(tmp_path / "broker") as broker,
        VictoriaMetrics(tmp_path / "database") as database,
    ):
        extra = (
            f'[mqtt]\nhost = "127.0.0.1"\nport = {broker.port}\n[influxdb]\nurl = "{database.url}"\nbucket = "bench"\n'
        )
        supplies = {"s": Bench(sim.resource, 20.0, "benchd-sim", (1,))}
        subscriber = Subscriber(broker.port)
        listening = asyncio.create_task(subscriber.run())
        try:
            with running(supplies, extra, folder=tmp_path) as daemon:
                await eventually(lambda: ("benchd/tried/availability", b"online") in
                                 {(t, p) for t, p, _ in subscriber.seen}, "availability")  # fmt: skip
                await asyncio.to_thread(_short, sim, daemon, "R-1")
                await eventually(lambda: subscriber.payloads("/trip"), "the first trip over MQTT")
                broker.stop()
                database.stop()
                began = time.monotonic()
                await asyncio.to_thread(_short, sim, daemon, "R-2")  # protection and capture need no server
                await asyncio.sleep(max(0.0, OUTAGE_S - (time.monotonic() - began)))
                assert daemon.call("GET", "bench")["followers"]["mqtt"]["state"] == "waiting"
                broker.start()
                database.start()
                await asyncio.to_thread(_short, sim, daemon, "R-3")
                jobs = {"R-1", "R-2", "R-3"}
                await eventually(lambda: {p["job"] for p in subscriber.payloads("/trip")} == jobs, "three trips")
                await eventually(lambda: {p["job"] for p in subscriber.payloads("/finding")} == jobs, "three findings")
                await eventually(lambda: _followed_up(daemon), "both followed up")
                times = stored(daemon)
                metric = "supply_reading_voltage"
                await eventually(lambda: set(database.times(metric)) >= set(times), "every reading in the database", 60)
            await eventually(lambda: _availability(subscriber) == b"offline", "the farewell")
            # The server keeps whole milliseconds: two readings in one (while an off is confirmed) become one point.
            arrived = [t for t in database.times(metric) if t <= times[-1]]
            assert set(arrived) == set(times)
            assert len(set(times)) <= len(arrived) <= len(times)
            assert {s.get("job") for s in database.series(metric)} >= {"R-1", "R-2", "R-3"}
        finally:
            listening.cancel()
            await asyncio.gather(listening, return_exceptions=True)
    ids = [p["id"] for p in subscriber.payloads("/trip") + subscriber.payloads("/finding")]
    assert len(set(ids)) == 6
    readings = subscriber.payloads("/reading")
    assert {"voltage_v", "current_a", "power_w", "t_ns"} <= set(readings[0])


def _short(sim: SimulatedSupply, daemon: Running, job: str) -> None:
    daemon.call("POST", "jobs", {"id": job})
    daemon.call("PUT", "bench/job", {"job": job})
    sim.board(1, "dead-short")
    daemon.on("s")
    daemon.until("s", output="off", latched=True)
    until(lambda: daemon.call("GET", f"traces?job={job}")["traces"], bool, f"the trace of {job}")
    daemon.until("s", rearm_wait_s=0.0)
    daemon.call("POST", "supplies/s/channels/1/rearm", {})
    daemon.until("s", latched=False)


def _availability(subscriber: Subscriber) -> bytes:
    return [payload for topic, payload, _ in subscriber.seen if topic.endswith("/availability")][-1]


def _followed_up(daemon: Running) -> bool:
    followers = daemon.call("GET", "bench")["followers"].values()
    return all(f["state"] == "ok" and f["backlog"] == 0 for f in followers)
