"""`soak`: two days at 50 readings/s: what they take on the disk, and how soon their first picture is there."""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

import msgspec
import numpy as np

from benchd.daemon.procedure_course import course
from benchd.daemon.procedure_restart import wrapped
from benchd.plans.shelf import shipped
from benchd.procedures.record import Run, Side
from benchd.procedures.sleep_live import SleepLive
from benchd.procedures.taken import Taken
from benchd.reading import Mode
from benchd.store.log import Log
from benchd.store.procedure_rows import end_run, keep_run, run_of
from benchd.traces.samples import Samples
from benchd.traces.trace import Conditions
from tests.benchmarks.log import Clock
from tests.benchmarks.recorded import T0, block_of, commits

HOURS, RATE = 48, 50.0
SUPPLY = Conditions(resolution_a=1e-4, accuracy_fraction_a=0.001, accuracy_offset_a=0.002)
HOUR_S = 3600


def measure(quick: bool = False) -> dict[str, float]:
    """The figures of budget `soak`. One hour is written as the daemon writes it, and counted for each of 48."""
    hours, written_s = (2, 120) if quick else (HOURS, HOUR_S)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "log.sqlite"
        with Log.open(path) as log:
            log.rows("PRAGMA wal_checkpoint(TRUNCATE)")
            empty = path.stat().st_size
            clock = Clock(log)
            whole = slept(0, written_s)
            for part in commits(whole):
                clock.commit(block_of(part), "R-1", None)
            for _ in range(3):
                clock.settle()
            log.rows("PRAGMA wal_checkpoint(TRUNCATE)")
            per_reading = (path.stat().st_size - empty) / len(whole)
            taken_s = _watched(log, hours)
            shown, ended_ms = _pictured(log, "P1", hours)
            _, running_ms = _pictured(log, "P2", hours)
    return {
        "mb": round(per_reading * HOURS * HOUR_S * RATE / 1e6, 1),
        "bytes_per_reading": round(per_reading, 2),
        "first_picture_ms": round(max(ended_ms, running_ms), 1),
        "running_ms": round(running_ms, 1),
        "picture_kb": round(len(shown) / 1e3, 1),
        "us_per_reading": round(taken_s / (hours * HOUR_S * RATE) * 1e6, 2),
    }


def slept(from_s: int, seconds: int) -> Samples:
    """A board that sleeps at 2 mA and wakes now and then, with the noise and clock of a supply."""
    rng = np.random.default_rng(from_s)
    n = int(seconds * RATE)
    at_s = from_s + np.arange(n) / RATE
    amps = np.where(at_s % 37 < 0.6, 0.085 + rng.normal(0, 0.01, n), 0.002) + rng.normal(0, 1e-4, n)
    t_ns = T0 + np.round(at_s * 1e9 + np.abs(rng.normal(0, 1e5, n))).astype(np.int64)
    volts = np.round(4.0 - 0.06 * amps + rng.normal(0, 4e-4, n), 3)
    return Samples(t_ns, volts, np.round(amps, 4), np.full(n, Mode.CV, np.uint8), np.zeros(n, np.uint8))


def _pictured(log: Log, id: str, hours: int) -> tuple[bytes, float]:
    """The first picture of a run as it is sent, and how long it took, ms."""
    begun = time.perf_counter()
    run = run_of(log, id)
    assert run is not None
    shown = msgspec.json.encode(course(log, run, "main", 600, T0 + hours * HOUR_S * 10**9))
    return shown, (time.perf_counter() - begun) * 1e3


def _watched(log: Log, hours: int) -> float:
    """A run over all of it, kept: P1 has ended, P2 goes on; processor time of the watching, s."""
    taken = Taken(shipped()["phone-cell"].plan, {"wake_a": 0.02}, {"main": SUPPLY}, {"main": None})
    live = SleepLive(taken)
    spent_s = 0.0
    for hour in range(hours):
        part = slept(hour * HOUR_S, HOUR_S)
        begun = time.process_time()
        live.feed("main", part)
        spent_s += time.process_time() - begun
    done = live.analysed()
    run = Run(
        "P1", "soak", 1, "Soak", None, T0, (Side("main", "bench-psu", 1),), "phone-cell", {}, "", T0 + 1, done.outcome,
        done.text, done.results, done.curves,
    )  # fmt: skip
    end_run(log, run)
    goes_on = msgspec.structs.replace(run, id="P2", outcome="running", ended_ns=None, results=(), curves=())
    keep_run(log, goes_on, wrapped(live.state(), {}))
    return spent_s
