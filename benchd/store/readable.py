"""The rows of a table that can be read, past pages of the file that cannot be."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

MOST_HOLES = 10_000
"""In one table; a file with more is not worth the time that they take."""
_FIRST, _LAST = -(2**62), 2**62
"""Below and above every number that the log gives; what came in an archive from another bench has negative ones."""

UNREADABLE = (sqlite3.DatabaseError, UnicodeDecodeError)
"""What SQLite raises for a damaged place; the second when its message quotes bytes that are no text."""

Row = tuple[Any, ...]


class Hole(NamedTuple):
    """Rows with numbers between these two, both readable (None: nothing before, or after, it is), are not."""

    after: int | None
    before: int | None
    why: str


def open_damaged(path: Path) -> sqlite3.Connection:
    """A connection that reads, and takes text that is none as it is, with surrogates. Raises sqlite3.Error."""
    db = sqlite3.connect(path.absolute().as_uri() + "?mode=ro", uri=True, timeout=5.0, isolation_level=None)
    db.text_factory = lambda text: text.decode("utf-8", "surrogateescape")
    return db


def numbered(db: sqlite3.Connection, table: str, columns: str) -> Iterator[Row | Hole]:
    """The rows of a table with rowids, in their order: the rowid, then the columns. Holds one row at a time."""
    sql = f"SELECT rowid, {columns} FROM {table} WHERE rowid > ? ORDER BY rowid"  # noqa: S608
    at = _FIRST
    for _ in range(MOST_HOLES):
        try:
            for row in db.execute(sql, (at,)):
                if at < row[0] < _LAST:  # a number that is damaged must not end the walk
                    at = row[0]
                yield row
            return
        except UNREADABLE as e:
            following = _after_hole(db, sql, at)
            yield Hole(at if at > _FIRST else None, following, str(e))
            if following is None or following <= at:
                return
            at = following - 1


def keyed(db: sqlite3.Connection, table: str, columns: str, key: str) -> Iterator[Row | Hole]:
    """The rows of a small table WITHOUT ROWID: from its beginning as far as they can be read, then from its end."""
    seen: list[Row] = []
    for order in ("ASC", "DESC"):
        failed = ""
        try:
            for row in db.execute(f"SELECT {columns} FROM {table} ORDER BY {key} {order}"):  # noqa: S608
                if order == "DESC" and row in seen:
                    return
                seen.append(row)
                yield row
        except UNREADABLE as e:
            failed = str(e)
        if not failed:
            return
    yield Hole(None, None, failed)


def _after_hole(db: sqlite3.Connection, sql: str, at: int) -> int | None:
    """The number of the first row that can be read again: steps that double, then halving what lies between."""

    def look(step: int) -> tuple[bool, int | None]:
        try:
            row = db.execute(f"{sql} LIMIT 1", (at + step,)).fetchone()
        except UNREADABLE:
            return False, None
        return True, row[0] if row else None

    bad, good = 0, 1
    while not (seen := look(good))[0]:
        if at + good >= _LAST:
            return None
        bad, good = good, min(good * 2, _LAST - at)
    while good - bad > 1:
        middle = (bad + good) // 2
        if (nearer := look(middle))[0]:
            good, seen = middle, nearer
        else:
            bad = middle
    return seen[1]
