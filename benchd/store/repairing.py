"""A damaged log is written anew from all that can be read of it. Nothing is thrown away: the damaged file is kept as it
is beside the new one, and rows that cannot be decoded go into a text file."""

from __future__ import annotations

import base64
import contextlib
import json
import os
import sqlite3
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NamedTuple, TextIO

from benchd.store import codec, migrations
from benchd.store.backup import SKIPPED
from benchd.store.checking import LOST, Checked, Fault, Progress, check
from benchd.store.copying import check_room, make_empty
from benchd.store.errors import LogDown, LogError, from_sqlite
from benchd.store.holding import held
from benchd.store.in_place import beside, free_name, put_in_place
from benchd.store.readable import UNREADABLE, Hole, Row, keyed, numbered, open_damaged
from benchd.store.rows_of import TABLES, fault_of
from benchd.whole_file import take_after


class Repaired(NamedTuple):
    """What a repair did."""

    found: Checked
    """What was wrong before."""
    kept: Path | None = None
    """The damaged file; None: there was nothing to repair, and nothing was changed."""
    aside: Path | None = None
    """Rows that could not be decoded, one JSON object a line; None when there were none."""
    rows: int = 0
    """Rows taken over."""
    set_aside: int = 0
    corrected: int = 0
    """Rows of readings whose numbers and times were made to say what they hold."""
    lost: tuple[Fault, ...] = ()
    """Traces of which readings are lost, by time; the journal has each."""


def repair(log: Path, now: datetime, progress: Progress | None = None) -> Repaired:
    """Look at a log and write it anew when it is damaged.

    Raises FolderHeld while the daemon runs, LogDown when the disk has no room or cannot be written, LogError when so
    much is lost that only a copy of the log helps; the file is as it was then.
    """
    told = progress or (lambda share: None)
    stamp = f"{now.astimezone(UTC):%Y%m%d-%H%M%S}Z"
    new, kept = beside(log, "repaired.part"), free_name(beside(log, f"before-repair-{stamp}"))
    aside = free_name(beside(log, f"damaged-{stamp}.jsonl"))
    with held(log.parent):
        found = check(log, lambda share: told(share / 2))
        if found.sound:
            return Repaired(found)
        if not found.counted:
            raise LogError(f"{log}: nothing of it can be read; `benchd log restore` puts a copy in its place")
        check_room(log, new, "the log written anew")
        try:
            make_empty(new, log)
            with contextlib.closing(open_damaged(log)) as old, _Aside(aside, log) as side:
                taken = _Taken(old, side, lambda share: told(0.5 + share / 2))
                taken.into(new, found, now)
            lost = _tell_lost(new, now)
            put_in_place(new, log, kept, fold=False)
        except sqlite3.Error as e:
            raise from_sqlite(e, log) from e
        except UnicodeDecodeError as e:
            raise LogError(f"{log}: {e}; `benchd log restore` puts a copy in its place") from e
        except OSError as e:
            raise LogDown(f"{log}: it cannot be written anew: {e.strerror or e}") from e
        finally:
            new.unlink(missing_ok=True)
    return Repaired(found, kept, aside if side.count else None, taken.rows, side.count, taken.corrected, lost)


class _Aside:
    """Rows that cannot go into the new file; the text file is made with the first of them."""

    def __init__(self, path: Path, log: Path) -> None:
        self._path, self._log = path, log
        self._file: TextIO | None = None
        self.count = 0

    def __enter__(self) -> _Aside:
        return self

    def __exit__(self, *_: object) -> None:
        if self._file is not None:
            self._file.flush()
            os.fsync(self._file.fileno())
            self._file.close()

    def put(self, table: str, row: Row, why: str) -> None:
        """Keep a row as it was read; bytes as base64 (RFC 4648)."""
        if self._file is None:
            self._file = os.fdopen(
                os.open(self._path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="utf-8"
            )
            take_after(self._log, self._file.fileno())  # what people wrote stands in it, as in the log
        self.count += 1
        shape = TABLES[table]
        names = ([] if shape.key else ["rowid"]) + shape.columns.split(", ")
        values = {name: _plain(value) for name, value in zip(names, row, strict=True)}
        self._file.write(json.dumps({"table": table, "why": why, "row": values}, ensure_ascii=False) + "\n")


def _plain(value: Any) -> Any:
    if isinstance(value, str):
        with contextlib.suppress(UnicodeEncodeError):
            value.encode("utf-8")
            return value
        value = value.encode("utf-8", "surrogateescape")
    return {"base64": base64.b64encode(value).decode()} if isinstance(value, bytes) else value


class _Taken:
    """Takes rows over from the damaged file."""

    def __init__(self, old: sqlite3.Connection, aside: _Aside, told: Callable[[float], None]) -> None:
        self._old, self._aside, self._told = old, aside, told
        self.rows = self.corrected = 0

    def into(self, new: Path, found: Checked, now: datetime) -> None:
        """Make the new file."""
        with contextlib.closing(sqlite3.connect(new, isolation_level=None)) as db:
            # A half file is thrown away: it needs no journal, and is brought to the disk when it is whole.
            ((page_bytes,),) = self._old.execute("PRAGMA page_size")
            db.execute(f"PRAGMA page_size = {page_bytes}")
            db.execute("PRAGMA journal_mode = OFF")
            db.execute("PRAGMA synchronous = OFF")
            db.execute("BEGIN")
            migrations.take_steps(db, 0, found.version)
            for number, table in enumerate(TABLES):
                for row in self._good(table):
                    self._insert(db, table, row)
                self._told(number / len(TABLES))
            self._numbers(db)
            _jobs_again(db)
            _entry(db, now, "repaired", {"text": self._said(found)})
            db.execute("COMMIT")
            look = [row[0] for row in db.execute("PRAGMA integrity_check(3)")]
        if look != ["ok"]:
            raise LogError(
                f"the file written anew is not whole ({'; '.join(look)}): check the disk; nothing was changed"
            )

    def _good(self, table: str) -> Iterator[Row]:
        shape = TABLES[table]
        rows = (
            keyed(self._old, table, shape.columns, shape.key)
            if shape.key
            else numbered(self._old, table, shape.columns)
        )
        for row in rows:
            if isinstance(row, Hole):
                continue
            why = fault_of(table, row)
            good = row if not why else self._corrected(row) if table == "blocks" else None
            if good is None:
                self._aside.put(table, row, why)
            else:
                yield good

    def _corrected(self, row: Row) -> Row | None:
        """Readings that can be unpacked say themselves how many they are, and of when."""
        try:
            samples = codec.decode(row[11])
        except (codec.CodecError, TypeError):
            return None
        if not len(samples):
            return None
        reach = (int(samples.t_ns.min()), int(samples.t_ns.max()))
        better = (*row[:2], *reach, *row[4:7], len(samples), *row[8:])
        if fault_of("blocks", better):
            return None
        self.corrected += 1
        return better

    def _insert(self, db: sqlite3.Connection, table: str, row: Row) -> None:
        shape = TABLES[table]
        values = row if shape.key else row[1:]
        marks = ", ".join("?" * len(values))
        try:
            db.execute(f"INSERT INTO {table} ({shape.columns}) VALUES ({marks})", values)  # noqa: S608
            self.rows += 1
        except (sqlite3.IntegrityError, sqlite3.DataError, OverflowError) as e:
            self._aside.put(table, row, str(e))

    def _numbers(self, db: sqlite3.Connection) -> None:
        """New rows get numbers above all that were given, so that no follower passes over them."""
        try:
            given = dict(self._old.execute("SELECT name, seq FROM sqlite_sequence"))
        except UNREADABLE:
            given = {}
        for table in ("blocks", "journal", "trips"):
            ((own,),) = db.execute("SELECT coalesce(max(seq), 0) FROM sqlite_sequence WHERE name = ?", (table,))
            told = given.get(table)
            number = told if isinstance(told, int) and told >= own else own + SKIPPED
            db.execute("DELETE FROM sqlite_sequence WHERE name = ?", (table,))
            db.execute("INSERT INTO sqlite_sequence VALUES (?, ?)", (table, number))
        highest = db.execute("SELECT max(seq) FROM sqlite_sequence WHERE name IN ('blocks', 'journal')").fetchone()[0]
        db.execute("UPDATE cursors SET seq = min(seq, ?)", (highest,))

    def _said(self, found: Checked) -> str:
        aside = f", {self._aside.count} rows could not be decoded and were set aside" if self._aside.count else ""
        return f"the log was damaged and was written anew: faults found {found.grave}{aside}"


def _jobs_again(db: sqlite3.Connection) -> None:
    """Jobs that were lost, but are named by traces, trips or the journal, stand again with their id alone."""
    db.execute(
        "INSERT INTO jobs (id, device, board, symptom, created_ns) SELECT job, '', '', '', min(t)"
        " FROM (SELECT job, start_ns AS t FROM traces"
        " UNION ALL SELECT job, detected_ns FROM trips UNION ALL SELECT job, t_ns FROM journal"
        " UNION ALL SELECT job, t0_ns FROM blocks UNION ALL SELECT job, t_ns FROM photos"
        " UNION ALL SELECT job, began_ns FROM runs UNION ALL SELECT job, t_ns FROM unpacked)"
        " WHERE job IS NOT NULL AND job NOT IN (SELECT id FROM jobs) GROUP BY job"
    )
    migrations.give_id(db)
    db.execute("DELETE FROM bench WHERE key = 'current-job' AND value NOT IN (SELECT id FROM jobs)")


def _entry(db: sqlite3.Connection, now: datetime, kind: str, payload: dict[str, Any], trace: str | None = None) -> None:
    t_ns = int(now.timestamp() * 1e6) * 1000
    sql = "INSERT INTO journal (t_ns, kind, trace, payload) VALUES (?, ?, ?, ?)"
    db.execute(sql, (t_ns, kind, trace, json.dumps(payload)))


def _tell_lost(new: Path, now: datetime) -> tuple[Fault, ...]:
    """The journal says of which traces readings are lost, so that a later look need not find it again."""
    lost = tuple(fault for fault in check(new, most_told=10**9).faults if fault.grave and fault.trace)
    with contextlib.closing(sqlite3.connect(new, isolation_level=None)) as db:
        db.execute("BEGIN")
        for fault in lost:
            _entry(db, now, LOST, {"text": fault.text}, fault.trace)
        db.execute("COMMIT")
    return lost
