"""`trip`: offending reading → OUTP OFF on the wire, for a bare loop and for the guard under a fully loaded daemon.

Both are measured by the scripted instrument, in its own process and by one clock: from the reply with the short
leaving to OUTP OFF arriving. Both decide at the first reading (the guard by `over-current`; `short` needs a second
one, to see whether the voltage rises). By turns, a block of each.

The load: a second supply logged at 1000 readings/s, 10 page
clients, MQTT and time-series followers (where the machine has the servers), and an analysis that never pauses.
"""

from __future__ import annotations

import math
import subprocess
import sys

from tests.benchmarks.loaded import followers, load
from tests.benchmarks.processes import Scripted, scripted
from tests.running import Bench, Running, running


def measure(quick: bool = False) -> dict[str, float]:
    """The figures of budget `trip`, ms."""
    blocks, each = (1, 5) if quick else (4, 50)
    bare: list[float] = []
    loaded: list[float] = []
    for _ in range(blocks):
        bare += _bare(each)
        loaded += _loaded(each)
    bare_p99 = percentile(bare, 99)
    return {
        "p50_ms": round(percentile(loaded, 50), 4),
        "p99_ms": round(percentile(loaded, 99), 4),
        "max_ms": round(max(loaded), 4),
        "bare_p50_ms": round(percentile(bare, 50), 4),
        "bare_p99_ms": round(bare_p99, 4),
        "ratio": round(percentile(loaded, 99) / bare_p99, 3),
        "trips": len(loaded),
    }


def percentile(values: list[float], p: float) -> float:
    """Nearest rank: the smallest value with at least p % of all at or below it."""
    ordered = sorted(values)
    return ordered[max(0, math.ceil(p / 100 * len(ordered)) - 1)]


def _bare(count: int) -> list[float]:
    with scripted() as instrument:
        loop = subprocess.Popen(
            [sys.executable, "-m", "tests.benchmarks.bare", "trip", instrument.resource],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert loop.stdin is not None
        assert loop.stdout is not None
        found = []
        for _ in range(count):
            loop.stdin.write("on\n")
            loop.stdin.flush()
            loop.stdout.readline()
            found.append(instrument.fault() / 1000)
        loop.stdin.close()
        loop.wait()
        return found


def _loaded(count: int) -> list[float]:
    with scripted() as instrument, scripted() as busy, followers() as extra:
        supplies = {"probed": Bench(instrument.resource, 2.0), "busy": Bench(busy.resource, 1.0)}
        with running(supplies, extra, plan="over_current_a = 1.5") as daemon:
            daemon.on("busy")
            with load(daemon, clients=10):
                return [_one(daemon, instrument) for _ in range(count)]


def _one(daemon: Running, instrument: Scripted) -> float:
    daemon.on("probed")
    took = instrument.fault() / 1000
    daemon.until("probed", output="off", latched=True)
    daemon.call("POST", "supplies/probed/channels/1/rearm", {})
    return took
