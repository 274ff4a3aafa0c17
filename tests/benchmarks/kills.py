"""`kills`: from kill -9 of the daemon, or of its guard, to the output off, by the simulated supply's own truth.

Each daemon loses its guard once, gets a new one, and is then killed itself, each time with a board powered and at a
moment that has nothing to do with readings or heartbeats. The time is that of the first OFF order that came in, by the
clock that both processes share; an output that is not off within what is promised counts as missed.
"""

from __future__ import annotations

import os
import random
import signal
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from tests.benchmarks.percentile import percentile
from tests.running import Bench, Running, start, until
from tests.simulated import SimulatedSupply

DAEMON_PROMISED_S = 0.5
GUARD_PROMISED_S = 1.0
GIVEN_UP_S = 10.0
PLACE = "psu"


def measure(quick: bool = False) -> dict[str, float]:
    """The figures of budget `kills`, ms. `kills`: of each kind. `missed`: of both together."""
    rng = random.Random(4)
    rounds = 3 if quick else 200
    guard: list[float] = []
    daemon: list[float] = []
    with SimulatedSupply(board1="clean") as sim, tempfile.TemporaryDirectory() as folder:
        supplies = {PLACE: Bench(sim.resource, 5.0, "benchd-sim")}
        for _ in range(rounds):
            one = start(supplies, Path(folder))
            try:
                guard.append(_off_s(one, sim, rng, one.guard_pid))
                daemon.append(_off_s(one, sim, rng, lambda pid=one.process.pid: pid))
            finally:
                one.process.kill()
                one.end()
    missed = sum(s > DAEMON_PROMISED_S for s in daemon) + sum(s > GUARD_PROMISED_S for s in guard)
    return {
        "daemon_p50_ms": round(1e3 * percentile(daemon, 50), 2),
        "daemon_p99_ms": round(1e3 * percentile(daemon, 99), 2),
        "daemon_max_ms": round(1e3 * max(daemon), 2),
        "guard_p50_ms": round(1e3 * percentile(guard, 50), 2),
        "guard_p99_ms": round(1e3 * percentile(guard, 99), 2),
        "guard_max_ms": round(1e3 * max(guard), 2),
        "missed": missed,
        "kills": rounds,
    }


def _off_s(daemon: Running, sim: SimulatedSupply, rng: random.Random, victim: Callable[[], int]) -> float:
    """Power, kill, wait for off; seconds, GIVEN_UP_S or more when it did not go off."""
    daemon.until_guarded()
    daemon.on(PLACE)
    pid = victim()
    time.sleep(rng.uniform(0.05, 0.25))
    if not sim.truth(1).output:
        raise RuntimeError("the output went off before anything was killed")
    killed_ns = time.monotonic_ns()
    os.kill(pid, signal.SIGKILL)
    try:
        until(lambda: sim.truth(1).output, lambda on: not on, "off", GIVEN_UP_S)
    except TimeoutError:
        return GIVEN_UP_S
    return (min(ns for ns in sim.offs() if ns > killed_ns) - killed_ns) / 1e9
