"""What a reading costs a server: processor time, and bytes on disk. A sum for how many benches one carries.

    python -m tests.many.cost victoria 12       twelve minutes of twenty benches at 50/s, as lines in batches of 3000
    python -m tests.many.cost influxd 12        bytes are before its compaction, which comes hours later

Readings are made up: a third of the time a board boots (steps with ripple, noise), else the output is off. The supply
resolves 1 mV and 0.1 mA.
"""

from __future__ import annotations

import argparse
import json
import tempfile
import time
import urllib.parse
import urllib.request
from pathlib import Path

import numpy as np
import psutil

from benchd.reading import Mode
from benchd.store.blocks import StoredBlock
from benchd.store.lines import reading_lines
from benchd.traces.samples import Samples
from tests.services import Influxd, VictoriaMetrics

BENCHES, RATE, START_NS = 20, 50, 1_790_000_000_000_000_000
STEPS_A = (
    (500, 0.0012, 0.0), (540, 0.11, 0.06), (600, 0.27, 0.16), (760, 0.52, 0.3), (900, 0.43, 0.25), (3000, 0.235, 0.03),
)  # fmt: skip
"""Up to which reading, A, and A of ripple."""


def minute(bench: int, number: int, rng: np.random.Generator) -> StoredBlock:
    """One minute of one bench."""
    count = 60 * RATE
    start_ns = START_NS + number * 60_000_000_000 + bench * 137_000
    t = start_ns + np.arange(count) * (1_000_000_000 // RATE) + rng.integers(0, 400_000, count)
    on = (number + bench) % 3 == 0
    volts, amps = np.abs(rng.normal(0, 0.0004, count)), rng.normal(0, 0.00008, count)
    if on:
        ends = np.searchsorted([end for end, *_ in STEPS_A], np.arange(count), side="right")
        level, ripple = np.array([step[1:] for step in STEPS_A]).T
        amps += (level[ends] + ripple[ends] * rng.random(count)) * (1 + 0.02 * bench)
        volts += 4.0 - 0.06 * amps
    mode = np.full(count, Mode.CV if on else Mode.OFF, np.uint8)
    samples = Samples(t.astype(np.int64), np.round(volts, 3), np.round(amps, 4), mode, np.zeros(count, np.uint8))
    trace = f"t-{bench}-{number}" if on else None
    return StoredBlock(1, "psu-a", 1, f"R-{1000 + 7 * bench + number // 40}", trace, 0, 0, samples)


def ask(url: str, body: bytes | None = None) -> None:
    urllib.request.urlopen(urllib.request.Request(url, body), timeout=60).close()


def cost(kind: str, minutes: int, folder: Path) -> dict[str, float | str]:
    """Write it all, and see what the server spent."""
    database: VictoriaMetrics | Influxd = (VictoriaMetrics if kind == "victoria" else Influxd)(folder)
    rng = np.random.default_rng(1)
    readings = sent = 0
    with database:
        if kind == "victoria":
            url = f"{database.url}/api/v2/write?bucket=room&precision=ns"
        else:
            ask(f"{database.url}/query", urllib.parse.urlencode({"q": "CREATE DATABASE room"}).encode())
            url = f"{database.url}/write?db=room&precision=ns"
        assert database.process is not None
        server = psutil.Process(database.process.pid)
        for number in range(minutes):
            for bench in range(BENCHES):
                lines = reading_lines(minute(bench, number, rng), f"bench-{bench:02}")
                body = "\n".join(lines).encode()
                ask(url, body)
                readings, sent = readings + len(lines), sent + len(body)
        if kind == "victoria":
            ask(f"{database.url}/internal/force_flush")
            ask(f"{database.url}/internal/force_merge")
            time.sleep(10)
        spent = server.cpu_times()
        memory = server.memory_info().rss
    disk = sum(f.stat().st_size for f in (folder / "data").rglob("*") if f.is_file())
    return {
        "server": kind,
        "readings": readings,
        "cpu_us_per_reading": round((spent.user + spent.system) / readings * 1e6, 2),
        "disk_bytes_per_reading": round(disk / readings, 2),
        "line_bytes_per_reading": round(sent / readings, 1),
        "server_mb": round(memory / 1e6, 1),
    }


def main() -> None:
    """See the top of the file."""
    parser = argparse.ArgumentParser(prog="python -m tests.many.cost", description="What a reading costs a server.")
    parser.add_argument("server", choices=("victoria", "influxd"))
    parser.add_argument("minutes", type=int)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        print(json.dumps(cost(given.server, given.minutes, Path(folder))))


if __name__ == "__main__":
    main()
