"""`year`: the log of a year of a busy bench: how large it is, and how soon the daemon answers from it.

20 000 power-ups of 30 s at 50 readings/s, five to a job, each with what the daemon writes of it: journal, finding, what
the search for like traces looks at. Made from power-ups of the corpus, each with noise and a clock of its own.
"""

from __future__ import annotations

import dataclasses
import http.client
import tempfile
import time
from pathlib import Path
from urllib.parse import urlsplit

import msgspec
import numpy as np

from benchd.jobs.job import Job
from benchd.store.descriptor_rows import keep_row
from benchd.store.filing import summarise
from benchd.store.log import Log, TraceRow, new_trace_id
from benchd.traces.nearest import Row, describe
from benchd.traces.samples import Samples
from benchd.traces.signatures import read_trace
from benchd.traces.trace import Conditions, Mark, Trace
from tests.benchmarks.percentile import percentile
from tests.benchmarks.processes import scripted
from tests.benchmarks.recorded import T0, bank, block_of, of_length
from tests.running import Bench, running

RATE, SECONDS = 50.0, 30
PER_JOB = 5
BETWEEN_NS = 26 * 60 * 10**9
"""20 000 of them, each so long after the one before, are a year."""
POINTS = 3000
"""As the page asks on opening a trace."""
LARGE = "large"
SUPPLY = "bench-psu"


@dataclasses.dataclass(frozen=True)
class _Filed:
    """One of the bank with what the daemon finds out about it."""

    samples: Samples
    row: TraceRow
    described: Row | None


def measure(quick: bool = False) -> dict[str, float]:
    """Size in GB; times in ms over random picks, with the daemon running on the log."""
    traces, picks = (500, 40) if quick else (20_000, 300)
    with tempfile.TemporaryDirectory() as folder, scripted() as instrument:
        data = Path(folder) / "data"
        begun = time.monotonic()
        ids = write(data / "benchd.sqlite", traces, 30 if quick else 200)
        took = time.monotonic() - begun
        size = (data / "benchd.sqlite").stat().st_size
        with running({"one": Bench(instrument.resource, 20.0)}, folder=Path(folder)) as daemon:
            figures = _ask(daemon.url, ids, picks)
    readings = traces * RATE * SECONDS + 1_000_000
    return {
        "file_gb": round(size / 1e9 * 20_000 / traces if quick else size / 1e9, 3),
        "bytes_per_reading": round(size / readings, 2),
        **figures,
        "traces": traces,
        "written_in_s": round(took, 1),
    }


# ---- the log ------------------------------------------------------------------------------------------------------


def write(path: Path, traces: int, different: int) -> list[str]:
    """The log of a year; the ids of its traces."""
    rng = np.random.default_rng(3)
    source = [_filed(samples) for samples in _bank(different)]
    ids = []
    with Log.open(path) as log:
        for first in range(0, traces, 250):
            with log.transaction(durable=False):
                for number in range(first, min(first + 250, traces)):
                    ids.append(_add(log, source, rng, number))
        _add_large(log, source, rng, T0 - 10**13)
        with log.transaction() as db:  # rows are as they are after the daemon joined them
            db.execute("INSERT INTO bench SELECT 'joined', max(seq) FROM blocks")
        log.rows("PRAGMA wal_checkpoint(TRUNCATE)")
    return ids


def _bank(different: int) -> list[Samples]:
    rng, source = np.random.default_rng(4), bank(different, RATE)
    return [of_length([part, *source], rng, T0, RATE, round(RATE * SECONDS)) for part in source]


def _filed(samples: Samples) -> _Filed:
    start_ns = int(samples.t_ns[0])
    trace = Trace(samples, start_ns, Conditions(4.0, 2.0, 0.0001), (Mark("button", start_ns + 2 * 10**9, "hand"),))
    row = summarise(trace, "", None, SUPPLY, 1, int(samples.t_ns[-1]), "removed", read_trace(trace))
    return _Filed(samples, row, describe(trace))


def _add(log: Log, source: list[_Filed], rng: np.random.Generator, number: int) -> str:
    """One power-up with all that is written of it."""
    job = f"R-{number // PER_JOB:05d}"
    like = source[int(rng.integers(len(source)))]
    start_ns = T0 + number * BETWEEN_NS
    if number % PER_JOB == 0:
        log.add_job(Job(job, f"phone {number % 97}", f"board-{number % 23}", "does not start, was wet", start_ns))
    samples = of_length([like.samples], rng, start_ns, RATE, len(like.samples))
    id = new_trace_id(start_ns, SUPPLY, 1)
    cut = int(rng.integers(4 * len(samples)))  # one in four is cut by the time of joining
    for part in (samples[:cut], samples[cut:]):
        log.add_block(block_of(part, SUPPLY), job, id)
    output = {"output": "on", "set_voltage_v": 4.0, "limit_a": 2.0, "plan": "phone", "stage": "boot", "reason": "asked"}
    for after_ns in (0, 10**9, 2 * 10**9, 30 * 10**9):
        log.add_entry("output", job=job, supply=SUPPLY, channel=1, payload=output, t_ns=start_ns + after_ns)
    end_ns = int(samples.t_ns[-1])
    log.add_trace(msgspec.structs.replace(like.row, id=id, job=job, start_ns=start_ns, end_ns=end_ns))
    with log.transaction() as db:
        keep_row(db, id, like.described)
    log.add_entry("note", job=job, payload={"text": "cleaned around the charger chip"}, t_ns=end_ns)
    return id


def _add_large(log: Log, source: list[_Filed], rng: np.random.Generator, start_ns: int) -> None:
    samples = of_length([each.samples for each in source], rng, start_ns, 1000.0, 1_000_000)
    row = msgspec.structs.replace(source[0].row, id=LARGE, start_ns=start_ns, end_ns=int(samples.t_ns[-1]))
    log.add_block(block_of(samples, SUPPLY), None, LARGE)
    log.add_trace(row)
    with log.transaction() as db:
        keep_row(db, LARGE, source[0].described)


# ---- the daemon ---------------------------------------------------------------------------------------------------


def _ask(url: str, ids: list[str], picks: int) -> dict[str, float]:
    rng = np.random.default_rng(5)
    where = urlsplit(url)
    client = http.client.HTTPConnection(where.hostname or "", where.port, timeout=30)

    def ms(*paths: str) -> float:
        """From the first question to the last answer."""
        begun = time.perf_counter()
        for path in paths:
            client.request("GET", f"/api/v1/{path}")
            reply = client.getresponse()
            assert (reply.status, len(reply.read()) > 10) == (200, True), path
        return (time.perf_counter() - begun) * 1e3

    jobs = [f"R-{int(n):05d}" for n in rng.integers(len(ids) // PER_JOB, size=picks)]
    traces = [ids[int(n)] for n in rng.integers(len(ids), size=picks)]
    asked = {
        "job_list": [ms(f"traces?job={job}", f"journal?job={job}") for job in jobs],
        "newest_list": [ms("traces?limit=100") for _ in range(20)],
        "jobs": [ms("jobs") for _ in range(20)],
        "board_list": [ms(f"traces?limit=100&board=board-{n % 23}") for n in range(20)],
        "picture": [ms(f"traces/{trace}", f"traces/{trace}/samples?points={POINTS}") for trace in traces],
        "large_picture": [ms(f"traces/{LARGE}", f"traces/{LARGE}/samples?points={POINTS}") for _ in range(10)],
    }
    client.close()
    figures = {}
    for name, times in asked.items():
        figures |= {f"{name}_ms": round(percentile(times, 95), 1), f"{name}_max_ms": round(max(times), 1)}
    return figures
