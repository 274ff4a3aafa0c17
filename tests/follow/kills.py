"""Kill -9 of real time-series servers at random instants while readings, trips and findings flow to them; then count.

Every reading of the log must be at the server exactly once, with its values: at influxd (v1 address) by `count`, which
knows a point by its tags and time in ns; at VictoriaMetrics by `count_over_time` with deduplication on
(`-dedup.minScrapeInterval=1ms`, as its documentation recommends where one point may be written twice), with readings at
whole ms, since it keeps no finer time.
"""

from __future__ import annotations

import asyncio
import json
import random
import tempfile
import time
import urllib.parse
import urllib.request
from pathlib import Path
from typing import Any

import numpy as np

from benchd.store.influx import STREAMS, InfluxFollower
from benchd.store.influx_post import Target
from benchd.store.lines import EVENT_KINDS
from benchd.store.log import Log
from benchd.store.settling import SETTLE_S
from benchd.store.writer import LogWriter
from tests.services import Influxd, Service, VictoriaMetrics
from tests.store.making import MS, columns_block, trace_row, tripped, until_async

CHANNELS = (1, 2)
ROUND_S = 0.05
PER_ROUND = 10
"""Readings of each channel a round: 200/s."""
EVENT_EVERY = 40
"""Rounds from one trip and one trace to the next."""
LIFE_S, AWAY_S = (0.05, 4.0), (0.0, 1.0)
"""How long the server lives from one kill to the next, and how long it is away."""


class Deduplicating(VictoriaMetrics):
    """One that counts a point that was written twice once."""

    def command(self) -> list[str]:
        return [*super().command(), "-dedup.minScrapeInterval=1ms"]

    def counted(self, metric: str) -> int:
        """Points of all series of a metric."""
        question = f"sum(count_over_time({metric}[10y]))"
        address = f"{self.url}/api/v1/query?" + urllib.parse.urlencode({"query": question, "time": time.time() + 60})
        with urllib.request.urlopen(address, timeout=30) as answer:
            found = json.load(answer)["data"]["result"]
        return int(found[0]["value"][1]) if found else 0


class Recording:
    """What a busy bench writes to its log, in real time."""

    def __init__(self, writer: LogWriter, seed: int) -> None:
        self._writer, self._rng = writer, np.random.default_rng(seed)
        self.ending = asyncio.Event()

    async def run(self) -> None:
        """Until `ending` is set."""
        t_ns, n = time.time_ns() // MS * MS, 0
        while not self.ending.is_set():
            for channel in CHANNELS:
                times = t_ns + np.arange(PER_ROUND) * round(ROUND_S / PER_ROUND * 1e9) // MS * MS
                amps = np.round(0.2 + self._rng.normal(0, 0.05, PER_ROUND), 4)
                volts = np.round(4.0 + self._rng.normal(0, 0.003, PER_ROUND), 3)
                self._writer.put_block(columns_block(times, volts, amps, "psu-a", channel), "R-1042", f"t-{channel}")
            if n % EVENT_EVERY == 0:
                self._event(t_ns)
            n += 1
            t_ns += round(ROUND_S * 1e9)
            await asyncio.sleep(max(0.0, (t_ns - time.time_ns()) / 1e9))

    def _event(self, t_ns: int) -> None:
        row = trace_row(f"t-{t_ns}", start_ns=t_ns)
        self._writer.submit(lambda log: log.add_trip(tripped(t_ns), "R-1042", "t-1"))
        self._writer.submit(lambda log: log.add_trace(row))


def all_settled(writer: LogWriter) -> bool:
    """Nothing waits, and the stored cursors are at the end."""
    if writer.health()["waiting"]:
        return False
    with Log.open(writer.path, read_only=True) as log:
        ends = {STREAMS[0]: log.followers.head("blocks"), STREAMS[1]: log.followers.head("journal", EVENT_KINDS)}
        return all(log.followers.cursor(name) == end for name, end in ends.items())


async def killed(
    server: Service, target: Target, folder: Path, kills: int, seed: int, settle_s: float
) -> dict[str, Any]:
    """Record, follow, kill so often; returns when all is settled. `server` runs at the end."""
    rng = random.Random(seed)
    writer = LogWriter(folder / "log.sqlite", join_every_s=2.0)
    follower = InfluxFollower(
        writer.path, writer, bench="bench-1", target=target, batch_age_s=0.2, settle_s=settle_s,
        sleep=lambda s: asyncio.sleep(s / 20),
    )  # fmt: skip
    recording = Recording(writer, seed)
    tasks = [asyncio.create_task(follower.run()), asyncio.create_task(recording.run())]
    most_lag_s = 0.0
    try:
        for _ in range(kills):
            await asyncio.sleep(rng.uniform(*LIFE_S))
            most_lag_s = max(most_lag_s, follower.health()["lag_s"] or 0.0)
            await asyncio.to_thread(server.kill)
            await asyncio.sleep(rng.uniform(*AWAY_S))
            await asyncio.to_thread(server.start)
        recording.ending.set()
        await tasks[1]
        await asyncio.wrap_future(writer.submit(lambda log: None))
        await until_async(lambda: all_settled(writer), within_s=120)
        health = follower.health()
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        writer.close()
    return {"kills": kills, "rejected": health["rejected"], "most_lag_s": round(most_lag_s, 2)}


def in_log(path: Path) -> dict[int, dict[int, float]]:
    """Channel → time in ns → A, as the log has them."""
    with Log.open(path, read_only=True) as log:
        found = {channel: log.samples("psu-a", channel, 0, 1 << 62) for channel in CHANNELS}
    return {c: dict(zip(s.t_ns.tolist(), s.current_a.tolist(), strict=True)) for c, s in found.items()}


def events_in_log(path: Path) -> tuple[int, int]:
    """How many trips and traces."""
    with Log.open(path, read_only=True) as log:
        return len(log.trips(limit=100_000)), len(log.traces(limit=100_000))


def at_influxd(kills: int, folder: Path, seed: int = 1, settle_s: float = SETTLE_S) -> dict[str, Any]:
    """Figures of one run against influxd; `missing`, `extra` and `wrong` must be 0."""
    with Influxd(folder / "influxd") as server:
        server.query("", "CREATE DATABASE bench")
        target = Target(server.url, "bench", write_path="v1", timeout_s=5.0)
        figures = asyncio.run(killed(server, target, folder, kills, seed, settle_s))
        given = in_log(folder / "log.sqlite")
        missing = extra = wrong = 0
        for channel, readings in given.items():
            rows = server.query("bench", f"SELECT current FROM supply_reading WHERE channel = '{channel}'")
            seen = {row["time"]: row["current"] for row in rows}
            missing += len(readings.keys() - seen.keys())
            extra += len(seen.keys() - readings.keys()) + len(rows) - len(seen)
            wrong += sum(seen[t] != readings[t] for t in readings.keys() & seen.keys())
        counted = sum(r["count"] for r in server.query("bench", "SELECT count(current) FROM supply_reading"))
        events = (
            len(server.query("bench", "SELECT rule FROM supply_trip")),
            len(server.query("bench", "SELECT signature FROM trace_finding")),
        )
    return _told(figures, given, counted, missing, extra, wrong, events, folder)


def at_victoria(kills: int, folder: Path, seed: int = 1, settle_s: float = SETTLE_S) -> dict[str, Any]:
    """Figures of one run against VictoriaMetrics; `missing`, `extra` and `wrong` must be 0."""
    with Deduplicating(folder / "victoria") as server:
        target = Target(server.url, "bench", timeout_s=5.0)
        figures = asyncio.run(killed(server, target, folder, kills, seed, settle_s))
        given = in_log(folder / "log.sqlite")
        readings = sum(len(each) for each in given.values())
        end = time.monotonic() + 60
        while server.counted("supply_reading_current") < readings and time.monotonic() < end:
            time.sleep(0.2)  # the server shows what it took only after a moment
        missing = extra = wrong = 0
        for channel, each in given.items():
            wanted = {t // MS: amps for t, amps in each.items()}
            seen = server.points("supply_reading_current", channel=str(channel))
            missing += len(wanted.keys() - seen.keys())
            extra += len(seen.keys() - wanted.keys())
            wrong += sum(abs(seen[t] - wanted[t]) > 1e-9 for t in wanted.keys() & seen.keys())
        counted = server.counted("supply_reading_current")
        events = (
            len(server.times("supply_trip_let_through_c")),
            len(server.times("trace_finding_confidence")),
        )
    return _told(figures, given, counted, missing, extra, wrong, events, folder)


def _told(
    figures: dict[str, Any], given: dict[int, dict[int, float]], counted: int, missing: int, extra: int, wrong: int,
    events: tuple[int, int], folder: Path,
) -> dict[str, Any]:  # fmt: skip
    readings = sum(len(each) for each in given.values())
    trips, traces = events_in_log(folder / "log.sqlite")
    return figures | {
        "readings": readings, "counted": counted, "missing": missing, "extra": extra, "wrong": wrong,
        "trips": trips, "trips_counted": events[0], "traces": traces, "traces_counted": events[1],
    }  # fmt: skip


def exact(figures: dict[str, Any]) -> bool:
    """Every point exactly once."""
    pairs = (("readings", "counted"), ("trips", "trips_counted"), ("traces", "traces_counted"))
    clean = not (figures["missing"] or figures["extra"] or figures["wrong"] or figures["rejected"])
    return clean and all(figures[a] == figures[b] for a, b in pairs)


def run(count: int) -> int:
    """So many kills of each server, at a seed that is printed."""
    seed = time.time_ns() % 100_000
    good = True
    for name, of in (("influxd by /write", at_influxd), ("VictoriaMetrics", at_victoria)):
        with tempfile.TemporaryDirectory() as folder:
            began = time.monotonic()
            figures = of(count, Path(folder), seed)
            good = good and exact(figures)
            took_s = round(time.monotonic() - began, 1)
            print(json.dumps({"server": name, "seed": seed, "s": took_s} | figures), flush=True)
    print("every point exactly once" if good else "NOT exact")
    return 0 if good else 1
