"""Is a log sound? Everything that it holds is looked at, each row decoded; nothing is written.

The daemon may go on recording: all is read in one view of the file. Rows come one at a time, so memory stays bounded.
"""

from __future__ import annotations

import contextlib
import dataclasses
import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import msgspec
import numpy as np

from benchd.store import codec, migrations
from benchd.store.blocks import MAX_ROW_SPAN_NS
from benchd.store.errors import LogDown, LogError, from_sqlite
from benchd.store.readable import UNREADABLE, Hole, Row, keyed, numbered, open_damaged
from benchd.store.rows_of import TABLES, fault_of

MOST_TOLD = 1000
"""Findings that are kept; the rest are counted."""

POWER_CUT_S = 5.5
"""What a kill (250 ms) or a power cut (5 s, see `writer.py`) may cost a trace at its end, and a little."""

LOST = "readings-lost"
"""Kind of a journal entry: a repair did not find the readings of that trace."""

Progress = Callable[[float], None]


class Fault(msgspec.Struct, frozen=True):
    """One thing that is not as it should be."""

    where: str
    """A table of the file, or `file`."""
    text: str
    from_ns: int | None = None
    to_ns: int | None = None
    """The time that it concerns, ns since the epoch, where that is known."""
    grave: bool = True
    """False: what a kill or a power cut leaves, or what a repair has told before: no damage."""
    trace: str = ""
    """Of which readings are missing."""


@dataclasses.dataclass
class Checked:
    """What was looked at, and what was found."""

    version: int = 0
    counted: dict[str, int] = dataclasses.field(default_factory=dict)
    """Rows by table that could be read."""
    readings: int = 0
    faults: list[Fault] = dataclasses.field(default_factory=list)
    more: int = 0
    """Grave faults beyond those kept."""
    most_told: int = MOST_TOLD
    lost_before: set[str] = dataclasses.field(default_factory=set)
    """Traces whose readings a repair could not find: it says so in the journal."""

    @property
    def sound(self) -> bool:
        """No grave fault."""
        return not self.grave

    @property
    def grave(self) -> int:
        """How many grave faults there are."""
        return self.more + sum(fault.grave for fault in self.faults)

    def add(self, where: str, text: str, at: tuple[int | None, int | None] = (None, None)) -> None:
        """A grave fault."""
        self.keep(Fault(where, text, *at))

    def keep(self, fault: Fault) -> None:
        """Keep a fault, or count it."""
        if len(self.faults) < self.most_told:
            self.faults.append(fault)
        else:
            self.more += fault.grave


def check(path: Path, progress: Progress | None = None, most_told: int = MOST_TOLD) -> Checked:
    """Look at a whole log. Raises LogError for a file that is no log or of a newer version, LogDown when it cannot be
    read now; damage is no error, and told in the result. `progress` is told the share that is done, 0..1."""
    told = progress or (lambda share: None)
    found = Checked(most_told=most_told)
    try:
        with contextlib.closing(open_damaged(path)) as db:
            _look(db, found, told)
    except UNREADABLE as e:
        if isinstance(e, sqlite3.Error) and isinstance(error := from_sqlite(e, path), LogDown):
            raise error from e
        found.add("file", f"nothing can be read past this: {e}")
    except LogError as e:
        raise type(e)(f"{path}: {e}") from None
    return found


def _look(db: sqlite3.Connection, found: Checked, told: Progress) -> None:
    found.version = migrations.version_of(db)
    if found.version == 0:
        raise LogError("an empty file and no log of benchd; name another")
    if found.version < len(migrations.STEPS):
        raise LogError(f"the log has version {found.version}: `benchd log upgrade` first, which keeps a copy")
    db.execute("BEGIN")
    db.set_progress_handler(lambda: told(0.0), 10_000_000)
    _whole_file(db, found)
    db.set_progress_handler(None, 0)
    told(0.3)
    jobs: set[str] = set()
    numbers = _sequences(db, found)
    for table in TABLES:
        highest = max(numbers.get(table, 0), 1)
        for row in _rows(db, table, found):
            found.counted[table] = found.counted.get(table, 0) + 1
            if why := fault_of(table, row):
                found.add(table, f"number {row[0]}: {why}", _times(table, row))
            elif table == "blocks":
                found.readings += row[7]
            if table == "jobs":
                jobs.add(row[1])
            elif table == "journal" and row[3] == LOST and isinstance(row[7], str):
                found.lost_before.add(row[7])
            if (job := _job_of(table, row)) is not None and job not in jobs:
                found.add(table, f"number {row[0]} is of job {job!r}, which is not there", _times(table, row))
            if table == "traces" and not why:
                _readings_of(db, row, found)
            if table == "blocks" and found.counted[table] % 100 == 0:
                told(0.3 + 0.7 * min(1.0, max(0.0, row[0] / highest)))
    _cursors(db, numbers, found)
    told(1.0)


def _whole_file(db: sqlite3.Connection, found: Checked) -> None:
    """SQLite's own look at pages, trees and indexes; and that no table or index is missing."""
    try:
        for (line,) in db.execute("PRAGMA integrity_check(100)").fetchall():
            if line != "ok":
                found.add("file", str(line))
    except UNREADABLE as e:
        found.add("file", f"SQLite cannot look at the whole of it: {e}")
    there = {row[0] for row in db.execute("SELECT name FROM sqlite_master")}
    for name in sorted(_names() - there):
        found.add("file", f"{name} is missing")


def _names() -> set[str]:
    """Of all tables and indexes that a log has."""
    with contextlib.closing(sqlite3.connect(":memory:", isolation_level=None)) as db:
        migrations.take_steps(db, 0, len(migrations.STEPS))
        return {str(row[0]) for row in db.execute("SELECT name FROM sqlite_master")}


def _rows(db: sqlite3.Connection, table: str, found: Checked) -> Iterator[Row]:
    """Those that can be read; holes are told, with the times of the rows around them."""
    shape = TABLES[table]
    rows = keyed(db, table, shape.columns, shape.key) if shape.key else numbered(db, table, shape.columns)
    hole: Hole | None = None
    last: Row | None = None
    for row in rows:
        if isinstance(row, Hole):
            hole = row
            continue
        if hole is not None:
            _tell_hole(table, hole, last, row, found)
            hole = None
        last = row
        yield row
    if hole is not None:
        _tell_hole(table, hole, last, None, found)


def _tell_hole(table: str, hole: Hole, last: Row | None, following: Row | None, found: Checked) -> None:
    until = f"before {hole.before}" if hole.before is not None else "to the end"
    since = f"after {hole.after} " if hole.after is not None else ""
    at = (_times(table, last)[1] if last else None, _times(table, following)[0] if following else None)
    found.add(table, f"rows {since}{until} cannot be read: {hole.why}", at)


def _times(table: str, row: Row) -> tuple[int | None, int | None]:
    """From when to when a row is, where it says so."""
    first, last = TABLES[table].times
    pair = (row[first], row[last]) if first else (None, None)
    return pair if all(isinstance(each, int) for each in pair) else (None, None)


def _job_of(table: str, row: Row) -> str | None:
    column = TABLES[table].job
    return row[column] if column else None


def _readings_of(db: sqlite3.Connection, row: Row, found: Checked) -> None:
    """That a trace has its readings: as many as were filed, but for what a kill may take and what was thinned."""
    _, name, _, supply, channel, start_ns, end_ns, *_ = row
    filed = row[11]
    there = 0
    try:
        for t0_ns, t1_ns, n, thinned, data in db.execute(
            "SELECT t0_ns, t1_ns, n, thinned_from, data FROM blocks"
            " WHERE supply = ? AND channel = ? AND t0_ns >= ? AND t0_ns <= ? AND t1_ns >= ?",
            (supply, channel, start_ns - MAX_ROW_SPAN_NS, end_ns, start_ns),
        ):
            if thinned is not None:
                return
            inside = start_ns <= t0_ns and t1_ns <= end_ns
            there += n if inside else _within(data, start_ns, end_ns)
    except (*UNREADABLE, codec.CodecError, TypeError):
        return  # told of the rows themselves
    missing = filed - there
    if missing <= 0:
        return
    seconds = (end_ns - start_ns) / 1e9
    lost_s = seconds * missing / filed
    known = name in found.lost_before
    grave = (lost_s > POWER_CUT_S or there == 0) and not known
    why = "" if grave else ", as the journal says since a repair" if known else ", as after a kill or a power cut"
    words = f"trace {name}: {missing} of its {filed} readings are not there ({lost_s:.2f} s of {seconds:.2f} s){why}"
    found.keep(Fault("traces", words, start_ns, end_ns, grave, trace=name))


def _within(data: bytes, start_ns: int, end_ns: int) -> int:
    t_ns = codec.decode(data).t_ns
    return int(np.count_nonzero((t_ns >= start_ns) & (t_ns <= end_ns)))


def _sequences(db: sqlite3.Connection, found: Checked) -> dict[str, int]:
    """How far each table has counted."""
    try:
        return {str(name): int(number) for name, number in db.execute("SELECT name, seq FROM sqlite_sequence")}
    except (*UNREADABLE, ValueError, TypeError) as e:
        found.add("file", f"how far the tables have counted cannot be read: {e}")
        return {}


def _cursors(db: sqlite3.Connection, numbers: dict[str, int], found: Checked) -> None:
    """No follower may have got further than the log has counted: it would pass over what comes."""
    head = max(numbers.get("blocks", 0), numbers.get("journal", 0))
    with contextlib.suppress(*UNREADABLE):  # told of the table itself
        for name, seq in db.execute("SELECT name, seq FROM cursors"):
            if not (isinstance(seq, int) and seq <= head):
                found.add("cursors", f"{name} stands at {seq}, but the log has counted to {head} only")


def as_record(fault: Fault) -> dict[str, Any]:
    """A fault as one JSON object."""
    return dict(msgspec.to_builtins(fault))
