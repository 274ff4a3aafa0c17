"""A log is damaged at random, looked at and repaired: it is sound then, and holds nothing that was never written."""

from __future__ import annotations

import dataclasses
import random
import shutil
import sqlite3
from collections import Counter
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

from benchd.jobs.job import Job
from benchd.store.checking import Checked, check
from benchd.store.errors import LogError
from benchd.store.log import PAGE_BYTES, Log
from benchd.store.repairing import Repaired, repair
from tests.store.making import MS, T0, block, trace_row, tripped

PAGE = PAGE_BYTES
NOON = datetime(2026, 3, 1, 12, 0, 0, tzinfo=UTC)
TRACES = 60
_TABLES = ("jobs", "journal", "traces", "trips", "blocks")


@dataclasses.dataclass
class Outcome:
    """What became of one damaged log."""

    seed: int
    how: str
    sound: bool
    """What the check said of the damaged file."""
    repaired: bool
    rows_before: int
    rows_after: int
    failure: str = ""
    """What was not as promised."""


def make(folder: Path) -> Path:
    """A log with some of everything, and a -wal file that holds its last rows."""
    path = folder / "benchd.sqlite"
    log = Log.open(path)
    log.rows("PRAGMA wal_autocheckpoint = 0")
    for n in range(TRACES):
        if n == TRACES - 10:
            log.rows("PRAGMA wal_checkpoint(TRUNCATE)")
        job = f"R-{n // 3}"
        with log.transaction(durable=False):
            if n % 3 == 0:
                log.add_job(Job(job, f"device {n}", "demo-a", "no start", created_ns=T0))
            start_ns = T0 + n * 10_000 * MS
            row = trace_row(f"trace-{n}", job, start_ns)
            for part in range(4):
                log.add_block(block(1250, start_ns + part * 1250 * MS), job, row.id)
            log.add_trace(row)
            log.add_entry("note", job=job, payload={"text": "as seen " * (1 + n % 7)})
            if n % 4 == 0:
                log.add_trip(tripped(start_ns + 100 * MS), job, row.id)
    for end in ("", "-wal"):
        shutil.copy(f"{path}{end}", folder / f"kept{end}")
    log.close()
    for left in folder.glob("benchd.sqlite*"):
        left.unlink()
    return folder / "kept"


def once(kept: Path, folder: Path, seed: int, how: str = "") -> Outcome:
    """Damage a copy of the log at `kept` in `folder`, in one of WAYS, look, repair, look again."""
    rng = random.Random(seed)
    path = folder / "benchd.sqlite"
    for end in ("", "-wal"):
        shutil.copy(f"{kept}{end}", f"{path}{end}")
    how = how or rng.choice(list(WAYS))
    before = contents(kept)
    WAYS[how](path, rng)
    as_damaged = path.read_bytes()
    outcome = Outcome(seed, how, False, False, sum(before.values()), 0)
    try:
        outcome.failure = _judged(path, before, as_damaged, outcome)
    except (LogError, sqlite3.Error) as e:
        outcome.failure = f"{type(e).__name__}: {e}"
    return outcome


def _judged(path: Path, before: Counter[bytes], as_damaged: bytes, outcome: Outcome) -> str:
    found, repaired = _looked_at(path)
    if found is None:
        return "" if path.read_bytes() == as_damaged else "refused, but the file was changed"
    outcome.sound = found.sound
    outcome.repaired = repaired is not None and repaired.kept is not None
    if repaired is not None and repaired.kept is not None and repaired.kept.read_bytes() != as_damaged:
        return "the damaged file was not kept as it was"
    if not found.sound and not outcome.repaired:
        return ""  # nothing of it could be read, and that was said
    after = contents(path)
    outcome.rows_after = sum(after.values())
    again = check(path)
    if not again.sound:
        return f"not sound after all: {again.faults[:3]}"
    if made_up := after - before:
        return f"{sum(made_up.values())} readings or rows that were never written"
    with Log.open(path) as log:
        log.add_job(Job("afterwards"))
    return ""


def _looked_at(path: Path) -> tuple[Checked | None, Repaired | None]:
    """None: refused as no log, or as one of which nothing can be read."""
    try:
        found = check(path)
    except LogError:
        return None, None
    try:
        repaired = repair(path, NOON)
    except LogError:
        return found, None
    return found, repaired


def contents(path: Path) -> Counter[bytes]:
    """The readings, row by row. (A flipped bit in a text or a number of other tables has no checksum to tell it.)"""
    db = sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)
    try:
        return Counter(row[0] for row in db.execute("SELECT data FROM blocks"))
    finally:
        db.close()


# ---- ways to damage a file ------------------------------------------------------------------------------------------


def _write(path: Path, at: int, data: bytes) -> None:
    with path.open("r+b") as file:
        file.seek(at)
        file.write(data)


def _bytes(path: Path, rng: random.Random) -> None:
    size = path.stat().st_size
    for _ in range(rng.randint(1, 40)):
        _write(path, rng.randrange(100, size), rng.randbytes(rng.randint(1, 8)))


def _pages(fill: Callable[[random.Random], bytes]) -> Callable[[Path, random.Random], None]:
    def do(path: Path, rng: random.Random) -> None:
        pages = path.stat().st_size // PAGE
        for _ in range(rng.randint(1, 3)):
            _write(path, rng.randrange(1, pages) * PAGE, fill(rng))

    return do


def _truncated(path: Path, rng: random.Random) -> None:
    with path.open("r+b") as file:
        file.truncate(rng.randrange(path.stat().st_size))


def _wal_bytes(path: Path, rng: random.Random) -> None:
    wal = path.with_name(path.name + "-wal")
    for _ in range(rng.randint(1, 10)):
        _write(wal, rng.randrange(wal.stat().st_size), rng.randbytes(rng.randint(1, 8)))


def _wal_truncated(path: Path, rng: random.Random) -> None:
    wal = path.with_name(path.name + "-wal")
    with wal.open("r+b") as file:
        file.truncate(rng.randrange(wal.stat().st_size))


def _wal_gone(path: Path, rng: random.Random) -> None:
    path.with_name(path.name + "-wal").unlink()


WAYS: dict[str, Callable[[Path, random.Random], None]] = {
    "bytes anywhere": _bytes,
    "pages of zeros": _pages(lambda rng: bytes(PAGE)),
    "pages of noise": _pages(lambda rng: rng.randbytes(PAGE)),
    "half a page of noise": _pages(lambda rng: rng.randbytes(PAGE // 2)),
    "truncated": _truncated,
    "bytes in the -wal": _wal_bytes,
    "truncated -wal": _wal_truncated,
    "missing -wal": _wal_gone,
}
