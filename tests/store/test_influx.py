"""The time-series follower against servers that refuse, and against real ones that go away and come back."""

from __future__ import annotations

import asyncio
import contextlib
import os
import threading
import time
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from benchd.store.blocks import StoredBlock
from benchd.store.influx import InfluxFollower
from benchd.store.influx_post import Target
from benchd.store.lines import EVENT_KINDS, event_lines, reading_lines
from benchd.store.log import Log
from benchd.store.writer import LogWriter
from benchd.traces.samples import Samples
from tests.services import Influxd, VictoriaMetrics
from tests.store.making import MS, T0, block, finding, trace_row, tripped, until_async
from tests.store.refusing import OK, Answer, Refusing
from tests.store.test_lines import RUN_ENDED

OUTAGE_S = float(os.environ.get("BENCHD_TEST_OUTAGE_S", "1.5"))
"""How long the real servers are away; set it to 30 for the long form of these tests."""

# ---- real servers ---------------------------------------------------------------------------------------------


@contextlib.asynccontextmanager
async def following(follower: InfluxFollower) -> AsyncIterator[None]:
    task = asyncio.create_task(follower.run())
    try:
        yield
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


async def short_sleep(seconds: float) -> None:
    await asyncio.sleep(min(seconds, 0.05))


def all_sent(path: Path) -> bool:
    with Log.open(path, read_only=True) as log:
        rows = log.followers
        ends = {"influxdb readings": rows.head("blocks"), "influxdb events": rows.head("journal", EVENT_KINDS)}
        return all(rows.cursor(name) == end for name, end in ends.items())


@pytest.mark.needs_victoria
async def test_an_outage_of_a_real_server_loses_and_doubles_nothing(tmp_path: Path) -> None:
    start_ns = (time.time_ns() // MS) * MS  # whole ms: this server keeps no finer time
    with VictoriaMetrics(tmp_path / "vm") as server:
        writer = LogWriter(tmp_path / "l.sqlite", join_every_s=0.3)
        follower = InfluxFollower(
            writer.path, writer, bench="bench-1", target=Target(server.url, "b", timeout_s=5.0), sleep=short_sleep,
            batch_age_s=0.1, settle_s=0.5,
        )  # fmt: skip
        given: dict[int, float] = {}
        blocks = 0

        async def record(seconds: float) -> None:
            nonlocal blocks
            end = time.monotonic() + seconds
            while time.monotonic() < end:
                made = block(20, start_ns + blocks * 20 * MS)
                samples = Samples.from_block(made)
                given.update(zip((samples.t_ns // MS).tolist(), samples.current_a.tolist(), strict=True))
                writer.put_block(made, "R-1042", "t-1")
                blocks += 1
                await asyncio.sleep(0.02)

        async with following(follower):
            await record(0.6)
            await until_async(lambda: follower.health()["last_ok_ns"] is not None)
            await asyncio.to_thread(server.stop)
            recording = asyncio.create_task(record(OUTAGE_S))
            await until_async(lambda: follower.health()["state"] == "waiting")
            assert "does not answer" in follower.health()["text"]
            trip = writer.submit(lambda log: log.add_trip(tripped(start_ns), "R-1042", "t-1"))
            row = trace_row("t-1", start_ns=start_ns)
            filed = writer.submit(lambda log: log.add_trace(row))
            await recording
            assert follower.health()["backlog"] > 0
            await asyncio.to_thread(server.start)
            await record(0.3)
            trip.result(5)
            filed.result(5)
            await until_async(lambda: writer.health()["waiting"] == 0)
            await until_async(lambda: all_sent(writer.path))
            await until_async(lambda: follower.health()["backlog"] == 0 and follower.health()["state"] == "ok")
        writer.close()
        with Log.open(writer.path, read_only=True) as log:
            kept = log.samples("psu-a", 1, 0, 2**62)
        assert dict(zip((kept.t_ns // MS).tolist(), kept.current_a.tolist(), strict=True)) == given
        labels = {"bench": "bench-1", "supply": "psu-a", "channel": "1", "job": "R-1042", "trace": "t-1"}
        wanted = {
            "supply_reading_current": given,
            "supply_trip_let_through_c": {start_ns // MS: 0.002},
            "trace_finding_confidence": {start_ns // MS: 0.9},
        }
        for name, points in wanted.items():
            # The server shows what it took only after a moment, some ten seconds on a busy machine.
            with contextlib.suppress(TimeoutError):
                await until_async(lambda n=name, p=points: server.points(n, **labels) == p, within_s=30)
            found = await asyncio.to_thread(server.points, name, **labels)
            assert (name, sorted(points.items() - found.items()), sorted(found.items() - points.items())) == (
                name,
                [],
                [],
            )
        assert server.series("supply_reading_current") == [{"__name__": "supply_reading_current", **labels}]
        with Log.open(writer.path, read_only=True) as log:
            assert log.followers.rejected_count("influxdb readings") == 0


@pytest.mark.needs_influxd
def test_a_real_influxdb_takes_our_lines_as_they_are(tmp_path: Path) -> None:
    """1.x has no v2 write API; its /write reads the same line protocol."""
    with Log.open(tmp_path / "l.sqlite") as log:
        log.add_block(block(500), "R-1042", "t-1")
        log.add_trip(tripped(), "R-1042", "t-1")
        log.add_trace(trace_row("t-1"))
        log.update_finding("t-1", finding("clean-boot"))
        log.add_entry("procedure", job="R-1042", supply="psu-a", channel=1, payload=RUN_ENDED.payload)
        (stored,) = log.blocks_after(0, 9)
        lines = reading_lines(stored, "bench-1") + [
            line for e in log.entries_after(0, 9, EVENT_KINDS) for line in event_lines(e, "bench-1")
        ]
        odd = StoredBlock(9, "psu a,1", 2, "A,1=2 x", None, 0, 0, stored.samples[:1])
        lines += reading_lines(odd, 'bench "one"')
    with Influxd(tmp_path / "influx") as server:
        server.query("", "CREATE DATABASE shop")
        server.write("shop", "\n".join(lines))
        server.write("shop", "\n".join(lines))  # a re-send changes nothing
        rows = server.query("shop", "SELECT * FROM supply_reading WHERE job = 'R-1042'")
        results = server.query("shop", "SELECT * FROM procedure_result")
        odd_rows = server.query("shop", "SELECT * FROM supply_reading WHERE job = 'A,1=2 x'")
        trips = server.query("shop", "SELECT * FROM supply_trip")
        findings = server.query("shop", "SELECT * FROM trace_finding")
    samples = Samples.from_block(block(500))
    assert [r["time"] for r in rows] == samples.t_ns.tolist()
    assert [r["voltage"] for r in rows] == samples.voltage_v.tolist()
    assert [r["current"] for r in rows] == samples.current_a.tolist()
    assert {(r["mode"], r["bench"], r["supply"], r["channel"], r["trace"]) for r in rows} == {
        ("cv", "bench-1", "psu-a", "1", "t-1")
    }
    assert [(r["supply"], r["bench"]) for r in odd_rows] == [("psu a,1", 'bench "one"')]
    assert [(r["time"], r["rule"], r["text"], r["off_confirmed"]) for r in trips] == [
        (T0, "short", tripped().text, True)
    ]
    assert [(r["result"], r["run"], r["card"], r.get("unit"), r["value"], r["time"]) for r in results] == [
        ("resistance", "P1", "leak-curve", "Ω", 89.0, T0 + 5),
        ("share", "P1", "leak-curve", None, 0.5, T0 + 5),
    ]
    assert [(r["signature"], r["confidence"], r["energy"]) for r in findings] == [("clean-boot", 0.9, 1.6)]


async def test_trips_do_not_wait_behind_a_backlog_of_readings(tmp_path: Path) -> None:
    """The server takes readings slowly, as over a thin line: days of them are ahead of the newest."""
    let = threading.Event()

    def answer(lines: list[str]) -> Answer:
        if lines[0].startswith("supply_reading"):
            let.wait(20)
        return OK

    server = Refusing(answer)
    writer = LogWriter(tmp_path / "l.sqlite")
    try:
        for k in range(5):
            writer.put_block(block(100, T0 + k * 1000 * MS))
        writer.submit(lambda log: log.add_trip(tripped(), "R-1042", "t-1"))
        target = Target(server.url, "b", timeout_s=30.0)
        follower = InfluxFollower(writer.path, writer, bench="b", target=target, batch_lines=50, batch_age_s=0.1)
        async with following(follower):
            await until_async(lambda: follower.health()["streams"]["influxdb readings"]["backlog"] > 0)
            await until_async(lambda: [line for line in server.taken if line.startswith("supply_trip")] != [])
            await until_async(lambda: follower.health()["streams"]["influxdb events"]["backlog"] == 0)
            health = follower.health()
            assert health["streams"]["influxdb readings"]["backlog"] > 0
            assert health["lag_s"] == pytest.approx((time.time_ns() - T0) / 1e9, abs=60)
            let.set()
            await until_async(lambda: follower.health()["backlog"] == 0)
            assert follower.health()["lag_s"] is None
        readings = [line for line in server.taken if line.startswith("supply_reading")]
        assert len(readings) == 500
        times = [int(line.rsplit(" ", 1)[1]) for line in readings]
        assert times == sorted(times)  # in order, each once
        assert len(set(times)) == 500
    finally:
        let.set()
        writer.close()
        server.close()
