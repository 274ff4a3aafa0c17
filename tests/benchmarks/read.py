"""`read`: how long the finding on a trace of 60 s at 1000 readings/s takes, and the nearest of 10 000 stored traces.

The search is the whole of it: open the log, read every row of it, look at each, as a person's question does it. The
rows are made, not measured on traces: what a row holds does not change how long it is looked at.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from benchd.store.descriptor_rows import keep_row, nearest_to
from benchd.store.log import Log
from benchd.traces.against import against
from benchd.traces.band import Band
from benchd.traces.nearest import LENGTH, describe
from benchd.traces.signatures import read_trace
from tests.benchmarks.percentile import percentile
from tests.traces.boards import Board, Meter, boot, flat, read

RATE = 1000.0
SECONDS = 60.0


def measure(quick: bool = False) -> dict[str, float]:
    """The figures of budget `read`."""
    rounds, stored = (3, 1000) if quick else (15, 10_000)
    rng = np.random.default_rng(60)
    start = np.concatenate([flat(3.0, 0.001), boot(rng, 1.0, SECONDS)])[: round(SECONDS * RATE)]
    trace = read(Board(start, button_s=3.0), Meter(rate=RATE, jitter=0.05), 1)
    good = [read(Board(start, button_s=3.0), Meter(rate=RATE, jitter=0.05), k) for k in (2, 3)]
    band = Band.of(good)
    read_trace(trace)
    figures = {
        "finding_ms": _median_ms(lambda: read_trace(trace), rounds),
        "against_references_ms": _median_ms(lambda: against(trace, band), rounds),
        "describe_ms": _median_ms(lambda: describe(trace), rounds),
    }
    row = describe(trace)
    assert row is not None
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "benchd.sqlite"
        with Log.open(path) as log, log.transaction(durable=False) as db:
            for k in range(stored):
                keep_row(db, f"20260101-{k:06d}-lab-1", np.abs(rng.normal(0, 0.3, LENGTH)).astype(np.float32))

        def search() -> None:
            with Log.open(path, read_only=True) as log:
                assert len(nearest_to(log, row, 5)) == 5

        figures["nearest_ms"] = _median_ms(search, rounds)
    return figures | {"stored_traces": stored, "readings": len(trace.samples)}


def _median_ms(work: Callable[[], object], rounds: int) -> float:
    took = []
    for _ in range(rounds):
        begin = time.perf_counter()
        work()
        took.append(time.perf_counter() - begin)
    return round(1e3 * percentile(took, 50), 2)
