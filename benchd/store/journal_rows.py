"""The journal as rows: written, and found again by job, trace, kind and number."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Callable, Collection, Sequence
from typing import Any

import msgspec

from benchd.jobs.job import JournalEntry

Rows = Callable[[str, Sequence[Any]], list[tuple[Any, ...]]]


def insert(
    db: sqlite3.Connection,
    kind: str,
    job: str | None,
    supply: str | None,
    channel: int | None,
    trace: str | None,
    payload: dict[str, Any] | None,
    t_ns: int | None,
) -> JournalEntry:
    """Add one entry, now or at `t_ns`."""
    t_ns = time.time_ns() if t_ns is None else t_ns
    text = msgspec.json.encode(payload or {}).decode()
    seq = db.execute(
        "INSERT INTO journal (t_ns, kind, job, supply, channel, trace, payload) VALUES (?, ?, ?, ?, ?, ?, ?)",
        (t_ns, kind, job, supply, channel, trace, text),
    ).lastrowid
    assert seq is not None
    return JournalEntry(seq, t_ns, kind, job, supply, channel, trace, msgspec.json.decode(text))


def newest(
    rows: Rows, job: str | None, trace: str | None, limit: int, after_seq: int | None, kinds: Collection[str] | None
) -> list[JournalEntry]:
    """The newest `limit` entries to which all that is given applies, oldest of them first."""
    sql, args = select(job, trace, limit, after_seq, kinds, "DESC")
    return [_entry(r) for r in rows(sql, args)][::-1]


def oldest(rows: Rows, limit: int, after_seq: int, kinds: Collection[str]) -> list[JournalEntry]:
    """The oldest `limit` entries above a number of these kinds, oldest first."""
    sql, args = select(None, None, limit, after_seq, kinds, "ASC")
    return [_entry(r) for r in rows(sql, args)]


def select(
    job: str | None,
    trace: str | None,
    limit: int,
    after_seq: int | None,
    kinds: Collection[str] | None,
    order: str,
) -> tuple[str, list[Any]]:
    """The query of `newest` and `oldest`: by an index in each case, and never through more than it returns when kinds
    alone are asked for, however far behind a follower is."""
    above, number = ("seq > ?", [after_seq]) if after_seq is not None else ("1", [])
    if kinds and job is None and trace is None:
        # Of each kind so many at most; in one condition SQLite would sort all that there are.
        one = f"SELECT * FROM (SELECT seq FROM journal WHERE kind = ? AND {above} ORDER BY seq {order} LIMIT ?)"  # noqa: S608
        where = f"seq IN ({' UNION ALL '.join([one] * len(kinds))})"
        args = [arg for kind in kinds for arg in (kind, *number, limit)]
    else:
        given = [("job = ?", job), ("trace = ?", trace)]
        parts = [above, *(condition for condition, value in given if value is not None)]
        if kinds is not None:
            # The + keeps SQLite from finding by kind what it can find by job or trace.
            parts.append(f"+kind IN ({', '.join('?' * len(kinds))})")
        where = " AND ".join(parts)
        args = [*number, *(value for _, value in given if value is not None), *(kinds or ())]
    return f"SELECT * FROM journal WHERE {where} ORDER BY seq {order} LIMIT ?", [*args, limit]  # noqa: S608


def _entry(r: tuple[Any, ...]) -> JournalEntry:
    seq, t_ns, kind, job, supply, channel, trace, payload = r
    return JournalEntry(seq, t_ns, kind, job, supply, channel, trace, msgspec.json.decode(payload))
