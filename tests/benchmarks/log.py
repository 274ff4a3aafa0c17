"""`log`: readings into the store per second, and what a reading takes there."""

from __future__ import annotations

import statistics
import tempfile
import time
from pathlib import Path

import numpy as np

from benchd.reading import Block
from benchd.store import blocks
from benchd.store.log import Log
from benchd.store.trace_rows import new_trace_id
from benchd.store.writer import COMMIT_EVERY_S, JOIN_EVERY_S, LogWriter
from tests.benchmarks.recorded import T0, bank, block_of, commits, of_length

CHANNELS = 8
BLOCK = 500
"""Readings in one block: what a fast supply gives in half a second."""
WAITING = 600_000
"""Readings given ahead of the writer, at most: half of the room that it has for them."""
RATES = (5.0, 50.0, 1000.0)


def measure(quick: bool = False) -> dict[str, float]:
    """The figures of budget `log`. Bytes are of the file, rows and indexes, after what the daemon does to them, less
    those of an empty log; `bytes_per_reading` is at 50 readings/s, as most supplies give."""
    each = 200_000 if quick else 1_500_000
    with tempfile.TemporaryDirectory() as folder:
        speeds = [_speed(Path(folder) / f"s{n}.sqlite", each) for n in range(1 if quick else 5)]
        sizes = {rate: _bytes(Path(folder) / f"b{rate}.sqlite", rate, 4 if quick else 30) for rate in RATES}
    return {
        "readings_per_s": round(statistics.median(speeds)),
        "readings_per_s_lowest": round(min(speeds)),
        "bytes_per_reading": round(sizes[50.0], 2),
        **{f"bytes_per_reading_at_{rate:.0f}": round(size, 2) for rate, size in sizes.items()},
    }


def _speed(path: Path, readings: int) -> float:
    """Readings per s from the first that is given to the last that is committed and joined, all of it on the disk."""
    given = _blocks(readings)
    writer = LogWriter(path)
    begun = time.monotonic()
    for number, block in enumerate(given):
        writer.put_block(block, f"R-{number % 40}")
        while number % 50 == 0 and writer.health()["waiting"] > WAITING:
            time.sleep(0.002)
    writer.close()
    took = time.monotonic() - begun
    with Log.open(path, read_only=True) as log:
        assert log.rows("SELECT sum(n) FROM blocks") == [(sum(len(block) for block in given),)]
    return sum(len(block) for block in given) / took


def _blocks(readings: int) -> list[Block]:
    rng = np.random.default_rng(1)
    source, found = bank(12, 1000.0), []
    for channel in range(1, CHANNELS + 1):
        whole = of_length(source, rng, T0, 1000.0, readings // CHANNELS)
        found.append([block_of(whole[n : n + BLOCK], "psu", channel) for n in range(0, len(whole), BLOCK)])
    return [block for together in zip(*found, strict=True) for block in together]


def _bytes(path: Path, rate: float, traces: int) -> float:
    """Bytes per reading in a file to which power-ups were written as the daemon does it, by a clock of their own."""
    rng = np.random.default_rng(2)
    source = bank(8 if rate > 500 else 30, rate)
    with Log.open(path) as log:
        log.rows("PRAGMA wal_checkpoint(TRUNCATE)")
        empty = path.stat().st_size
        clock = Clock(log)
        for number in range(traces):
            whole = of_length(source, rng, clock.now_ns, rate, max(round(30 * rate), 150))
            trace = new_trace_id(int(whole.t_ns[0]), "bench-psu", 1)
            for part in commits(whole):
                clock.commit(block_of(part), f"R-{number // 5}", trace)
            clock.now_ns = int(whole.t_ns[-1]) + 20 * 10**9
        for _ in range(3):
            clock.settle()
        log.rows("PRAGMA wal_checkpoint(TRUNCATE)")
        ((readings,),) = log.rows("SELECT sum(n) FROM blocks")
    return (path.stat().st_size - empty) / readings


class Clock:
    """Does what the log's writer does, when it would."""

    def __init__(self, log: Log) -> None:
        self._log = log
        self.now_ns = T0
        self._join_ns = self._settle_ns = T0
        self.settle()

    def commit(self, block: Block, job: str, trace: str | None) -> None:
        self.now_ns += round(COMMIT_EVERY_S * 1e9)
        self._log.add_block(block, job, trace)
        if self.now_ns >= self._join_ns:
            with self._log.transaction(durable=False) as db:
                blocks.join(db)
            self._join_ns = self.now_ns + round(JOIN_EVERY_S * 1e9)
        if self.now_ns >= self._settle_ns:
            self.settle()

    def settle(self) -> None:
        with self._log.transaction(durable=False) as db:
            blocks.join(db)
            blocks.settle(db)
        self._settle_ns = self.now_ns + round(blocks.SETTLE_EVERY_S * 1e9)
