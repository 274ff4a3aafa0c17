"""`follow`: lines a second into VictoriaMetrics by the follower, against influxdb-client alone, by turns.

The follower does all of its work: it reads rows from the log, makes lines of them, sends them in batches and moves its
cursor. The bare loop has the same lines ready, and sends them in the same batches by the client's synchronous write in
its cheapest form (one bytes body a request). Each turn is a bench of its own, so that no turn writes points again.
"""

from __future__ import annotations

import asyncio
import statistics
import tempfile
import time
from pathlib import Path

import numpy as np

from benchd.reading import Block, Mode
from benchd.store.blocks import MAX_ROW_READINGS
from benchd.store.influx import InfluxFollower
from benchd.store.influx_post import Target
from benchd.store.influx_sink import BATCH_LINES
from benchd.store.lines import reading_lines
from benchd.store.log import Log
from benchd.store.writer import LogWriter
from tests.services import VictoriaMetrics

READINGS = 400_000
TURNS = 7
RATE_NS = 1_000_000


def measure(quick: bool = False) -> dict[str, float]:
    """The figures of budget `follow`."""
    readings, turns = (50_000, 2) if quick else (READINGS, TURNS)
    with tempfile.TemporaryDirectory() as folder, VictoriaMetrics(Path(folder) / "server") as server:
        path = Path(folder) / "benchd.sqlite"
        _fill(path, readings)
        ours: list[float] = []
        bare: list[float] = []
        for turn in range(turns + 1):
            _cursors_back(path)
            works = [
                (ours, lambda n=turn: _follow(path, server.url, f"ours-{n}", readings)),
                (bare, lambda n=turn: _bare(path, server.url, f"bare-{n}")),
            ]
            for figures, work in works if turn % 2 else works[::-1]:
                figures.append(work())
        del ours[0], bare[0]  # the first one warms up
    return {
        "lines_per_s": round(statistics.median(ours)),
        "bare_lines_per_s": round(statistics.median(bare)),
        "ratio": round(statistics.median(a / b for a, b in zip(ours, bare, strict=True)), 3),
        "lines": readings,
        "turns": turns,
    }


def _fill(path: Path, readings: int) -> None:
    """A log of two outputs at 1000 readings/s, on the grids of an instrument, in rows as they are after joining."""
    rng = np.random.default_rng(6)
    start_ns = time.time_ns() // RATE_NS * RATE_NS - readings * RATE_NS
    with Log.open(path) as log:
        for at in range(0, readings // 2, MAX_ROW_READINGS):
            n = min(MAX_ROW_READINGS, readings // 2 - at)
            t_ns = start_ns + (at + np.arange(n)) * RATE_NS
            for channel in (1, 2):
                volts = np.round(4.0 + rng.normal(0, 0.003, n), 3)
                amps = np.round(0.3 + np.cumsum(rng.normal(0, 0.002, n)), 4)
                log.add_block(
                    Block("psu-a", channel, t_ns.tobytes(), volts.tobytes(), amps.tobytes(), bytes([Mode.CV]) * n,
                          bytes(n), 20_000),
                    "R-1042", f"20260102-030405-678-psu-a-{channel}",
                )  # fmt: skip


def _cursors_back(path: Path) -> None:
    with Log.open(path) as log, log.transaction() as db:
        db.execute("DELETE FROM cursors")


def _follow(path: Path, url: str, bench: str, readings: int) -> float:
    """Lines a second from the start of the follower to its last batch."""

    async def run() -> float:
        writer = LogWriter(path)
        follower = InfluxFollower(path, writer, bench=bench, target=Target(url, "b"), batch_age_s=0.1)
        began = time.perf_counter()
        task = asyncio.create_task(follower.run())
        try:
            async with asyncio.timeout(120):
                while (h := follower.health())["last_ok_ns"] is None or h["backlog"]:  # noqa: ASYNC110
                    await asyncio.sleep(0.02)  # looking more often would take a fifth of what it measures
            return readings / (time.perf_counter() - began)
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)
            writer.close()

    return asyncio.run(run())


def _bare(path: Path, url: str, bench: str) -> float:
    """Lines a second of the client alone."""
    from influxdb_client import InfluxDBClient  # type: ignore[attr-defined]
    from influxdb_client.client.write_api import SYNCHRONOUS

    with Log.open(path, read_only=True) as log:
        lines = [line for block in log.blocks_after(0, 10_000, 1 << 40) for line in reading_lines(block, bench)]
    with InfluxDBClient(url, "", org="-") as client:
        api = client.write_api(write_options=SYNCHRONOUS)
        began = time.perf_counter()
        for at in range(0, len(lines), BATCH_LINES):
            api.write("b", record="\n".join(lines[at : at + BATCH_LINES]).encode())
        return len(lines) / (time.perf_counter() - began)
