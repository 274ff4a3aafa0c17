"""`trip`: offending reading → OUTP OFF on the wire, for a bare loop and for the guard under a fully loaded daemon.

Both are measured by the scripted instrument, in its own process and by one clock: from the reply with the short
leaving to OUTP OFF arriving. Both decide at the first reading (the guard by `over-current`; `short` needs a second
one, to see whether the voltage rises). By turns, a block of each.

The load: 15 more supplies with their outputs on (one logged at 1000 readings/s, the others at 20), 10 page clients,
MQTT and time-series followers (where the machine has the servers), analyses of what is in memory and of filed traces
that never pause, and a process beside the daemon that reads findings from long traces.
"""

from __future__ import annotations

import contextlib
import subprocess
import sys

from tests.benchmarks.loaded import findings, followers, load
from tests.benchmarks.percentile import percentile
from tests.benchmarks.processes import Scripted, scripted
from tests.running import REARM_SOON, Bench, Running, running

OTHERS = 14
OTHERS_LATENCY_S = 0.005
OTHERS_INTERVAL_MS = 50.0
CLIENTS = 10


def measure(quick: bool = False) -> dict[str, float]:
    """The figures of budget `trip`, ms."""
    blocks, each = (1, 5) if quick else (4, 50)
    bare: list[float] = []
    loaded: list[float] = []
    follow: set[str] = set()
    for _ in range(blocks):
        bare += _bare(each)
        loaded += _loaded(each, follow)
    bare_p99 = percentile(bare, 99)
    return {
        "p50_ms": round(percentile(loaded, 50), 4),
        "p99_ms": round(percentile(loaded, 99), 4),
        "max_ms": round(max(loaded), 4),
        "bare_p50_ms": round(percentile(bare, 50), 4),
        "bare_p99_ms": round(bare_p99, 4),
        "ratio": round(percentile(loaded, 99) / bare_p99, 3),
        "trips": len(loaded),
        "supplies": OTHERS + 2,
        "followers": len(follow),
    }


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


def _loaded(count: int, follow: set[str]) -> list[float]:
    """`follow` gets the names of the followers that had a server."""
    with contextlib.ExitStack() as stack:
        instrument, busy = stack.enter_context(scripted()), stack.enter_context(scripted())
        supplies = {"probed": Bench(instrument.resource, 2.0), "busy": Bench(busy.resource, 1.0)}
        for number in range(OTHERS):
            other = stack.enter_context(scripted(OTHERS_LATENCY_S))
            supplies[f"other{number}"] = Bench(other.resource, OTHERS_INTERVAL_MS)
        extra = stack.enter_context(followers())
        daemon = stack.enter_context(running(supplies, REARM_SOON + extra, plan="over_current_a = 1.5"))
        for name in supplies:
            if name != "probed":
                daemon.on(name)
        stack.enter_context(load(daemon, CLIENTS))
        stack.enter_context(findings())
        found = [_one(daemon, instrument) for _ in range(count)]
        follow.update(daemon.call("GET", "bench")["followers"])
        return found


def _one(daemon: Running, instrument: Scripted) -> float:
    daemon.on("probed")
    took = instrument.fault() / 1000
    daemon.until("probed", output="off", latched=True)
    daemon.rearm("probed")
    return took
