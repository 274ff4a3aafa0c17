"""What describes each trace in the log (`benchd.traces.nearest`), and the search for the nearest.

A search reads the rows of all traces, 456 bytes each, and looks at every one: some tens of ms for 10 000 traces.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Collection
from typing import NamedTuple

import numpy as np

from benchd.store.log import Log
from benchd.traces.nearest import LENGTH, VERSION, Row, describe, nearest


class Near(NamedTuple):
    """A trace, and how far it is, A."""

    trace: str
    distance_a: float


def keep_row(db: sqlite3.Connection, trace: str, row: Row | None) -> None:
    """Keep what describes a trace, in the place of an earlier one; None: it cannot be described, and is not asked for
    again."""
    data = b"" if row is None else row.astype("<f4").tobytes()
    db.execute("INSERT OR REPLACE INTO descriptors VALUES (?, ?, ?)", (trace, VERSION, data))


def forget_row(db: sqlite3.Connection, trace: str) -> None:
    """Drop what describes a trace, because that has changed; it is made again when it is missed."""
    db.execute("DELETE FROM descriptors WHERE trace = ?", (trace,))


def undescribed(log: Log, at_most: int = -1) -> list[str]:
    """Traces that are not described yet, or by an earlier version of it; newest first. Raises LogError."""
    sql = (
        "SELECT id FROM traces LEFT JOIN descriptors ON trace = id AND version = ? WHERE trace IS NULL"
        " ORDER BY start_ns DESC LIMIT ?"
    )
    return [str(id) for (id,) in log.rows(sql, (VERSION, at_most))]


def described(log: Log, trace: str) -> Row | None:
    """What describes a trace, made anew from its readings; None: it cannot be described. Raises LogError."""
    whole = log.whole_trace(trace)
    return None if whole is None else describe(whole)


def nearest_to(log: Log, row: Row, count: int, without: Collection[str] = (), board: str | None = None) -> list[Near]:
    """The nearest of all described traces (of one kind of board, if given), nearest first. Raises LogError."""
    sql, args = "SELECT trace, data FROM descriptors WHERE version = ? AND length(data) = ?", [VERSION, 4 * LENGTH]
    if board is not None:
        sql += (
            " AND trace IN (SELECT t.id FROM traces t LEFT JOIN jobs j ON j.id = t.job"
            " WHERE coalesce(nullif(j.board, ''), json_extract(t.conditions, '$.board')) = ?)"
        )
    found = log.rows(sql, [*args, *([] if board is None else [board])])
    if not found:
        return []
    rows = np.frombuffer(b"".join(data for _, data in found), "<f4").reshape(-1, LENGTH)
    order, distances = nearest(row, rows, count + len(without))
    near = [Near(str(found[k][0]), round(float(d), 6)) for k, d in zip(order, distances, strict=True)]
    return [n for n in near if n.trace not in without][:count]
