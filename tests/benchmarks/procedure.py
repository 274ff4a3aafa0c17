"""`procedure`: readings/s of a whole daemon while a run watches an output, over those of the same output that is on
without one; by turns, on one simulated supply. Beside it the daemon's processor time, which tells more than the rate.
"""

from __future__ import annotations

import re
import statistics
import time
import urllib.request

import psutil

from tests.running import Bench, Running, running, until
from tests.simulated import SimulatedSupply

READINGS = re.compile(r"benchd_readings_total\{.*channel=\"1\"")
SIDE = {"role": "main", "supply": "s", "channel": 1}


def measure(quick: bool = False) -> dict[str, float]:
    """The figures of budget `procedure`."""
    seconds, rounds = (1.0, 1) if quick else (4.0, 7)
    watched, alone = [], []
    with SimulatedSupply() as sim, running({"s": Bench(sim.resource, 5.0, "benchd-sim")}) as daemon:
        daemon.until_guarded()
        for _ in range(rounds):
            sim.board(1, "leak-only")
            daemon.on("s")
            alone.append(_rate(daemon, seconds))
            daemon.off("s")
            sim.board(1, "dead-short")
            sim.bridge(1, 0.05)
            run = _begun(daemon)
            watched.append(_rate(daemon, seconds))
            daemon.call("POST", f"runs/{run}/stop")
    return {
        "ratio": round(statistics.median(w / a for (w, _), (a, _) in zip(watched, alone, strict=True)), 4),
        "watched_per_s": round(statistics.median(w for w, _ in watched), 1),
        "alone_per_s": round(statistics.median(a for a, _ in alone), 1),
        "cpu_percent_watched": round(statistics.median(c for _, c in watched), 2),
        "cpu_percent_alone": round(statistics.median(c for _, c in alone), 2),
    }


def _begun(daemon: Running) -> str:
    wanted = {"rail_v": 1.1, "limit_a": 1.0}
    body = {"card": "find-short", "sides": [SIDE], "parameters": wanted, "accept_cautions": True}
    run = str(daemon.call("POST", "runs", body)["run"])
    until(lambda: daemon.call("GET", f"runs/{run}")["now"]["question"], bool, "the question")
    daemon.call("POST", f"runs/{run}/answer", {"name": "ready", "value": True})
    until(lambda: daemon.call("GET", f"runs/{run}")["now"]["told"], bool, "what is measured")
    return run


def _rate(daemon: Running, seconds: float) -> tuple[float, float]:
    """Readings/s, and the daemon's share of one core in per cent."""
    time.sleep(0.5)
    process = psutil.Process(daemon.process.pid)
    began, before, used = time.perf_counter(), _readings(daemon), sum(process.cpu_times()[:2])
    time.sleep(seconds)
    after, took = _readings(daemon), time.perf_counter() - began
    return (after - before) / took, 100 * (sum(process.cpu_times()[:2]) - used) / took


def _readings(daemon: Running) -> float:
    with urllib.request.urlopen(f"{daemon.url}/metrics") as answer:
        text = answer.read().decode()
    return float(next(line.split()[-1] for line in text.splitlines() if READINGS.match(line)))
