"""Filed traces as rows: written, and found again by job, board, signature and time."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from typing import Any

import msgspec

from benchd.traces.trace import Conditions, Finding, Mark

# Made here, while one thread imports: msgspec 0.22 crashes the process when two threads meet a type for the first time.
_CONDITIONS = msgspec.json.Decoder(Conditions)
_MARKS = msgspec.json.Decoder(list[Mark])
_FINDING = msgspec.json.Decoder(Finding)

Rows = Callable[[str, Sequence[Any]], list[tuple[Any, ...]]]

_OF_BOARD = (
    "id IN (SELECT trace FROM board_references WHERE board = ?1"
    " UNION SELECT t.id FROM jobs AS j JOIN traces AS t ON t.job = j.id WHERE j.board = ?1"
    " AND t.id NOT IN (SELECT trace FROM board_references)"
    " UNION SELECT t.id FROM traces AS t LEFT JOIN jobs AS j ON j.id = t.job"
    " WHERE json_extract(t.conditions, '$.board') = ?1 AND ifnull(j.board, '') = ''"
    " AND t.id NOT IN (SELECT trace FROM board_references))"
)
"""As `reference_rows.board_of` has it: what its reference says goes first, then its job, then the trace itself."""


class TraceRow(msgspec.Struct, frozen=True):
    """A filed trace, without its readings (`Log.samples` has those)."""

    id: str
    job: str | None
    supply: str
    channel: int
    start_ns: int
    """ns since the epoch; t = 0 of everything said about the trace in s."""
    end_ns: int
    conditions: Conditions
    marks: list[Mark]
    reason: str
    """Why it ended, in one word: removed, off, tripped, settled ..."""
    finding: Finding | None = None
    readings: int = 0
    peak_a: float | None = None
    charge_c: float | None = None
    energy_j: float | None = None


def new_trace_id(t_ns: int, supply: str, channel: int) -> str:
    """An id that sorts by time (UTC, ms) and is safe in MQTT topics, tags, addresses and file names."""
    when = datetime.fromtimestamp(t_ns // 1_000_000_000, UTC)
    name = re.sub(r"[^A-Za-z0-9-]+", "-", supply)
    return f"{when:%Y%m%d-%H%M%S}-{t_ns // 1_000_000 % 1000:03d}-{name}-{channel}"


def insert(db: sqlite3.Connection, row: TraceRow) -> None:
    """Keep a trace whose id is not there yet."""
    db.execute(
        "INSERT INTO traces VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (row.id, row.job, row.supply, row.channel, row.start_ns, row.end_ns, row.reason,
         _json(row.conditions), _json(row.marks), _json(row.finding) if row.finding else None,
         row.readings, row.peak_a, row.charge_c, row.energy_j),
    )  # fmt: skip


def update(db: sqlite3.Connection, row: TraceRow) -> None:
    """What a trace says, and its marks, in place of what it said."""
    finding = _json(row.finding) if row.finding else None
    db.execute("UPDATE traces SET finding = ?, marks = ? WHERE id = ?", (finding, _json(row.marks), row.id))


def numbered(rows: Rows, trace: str) -> TraceRow | None:
    """The trace of that id."""
    found = rows("SELECT * FROM traces WHERE id = ?", (trace,))
    return _row(found[0]) if found else None


def newest(
    rows: Rows,
    job: str | None = None,
    limit: int = 1000,
    board: str | None = None,
    signature: str | None = None,
    since_ns: int | None = None,
    until_ns: int | None = None,
) -> list[TraceRow]:
    """Traces to which all that is given applies, newest first; since_ns <= start < until_ns."""
    sql, args = select(job, limit, board, signature, since_ns, until_ns)
    return [_row(r) for r in rows(sql, args)]


def select(
    job: str | None, limit: int, board: str | None, signature: str | None, since_ns: int | None, until_ns: int | None
) -> tuple[str, list[Any]]:
    """The query of `newest`. Each condition alone is found by an index, and so are those with a time beside them."""
    # The + keeps SQLite from finding all of a signature where a job's few traces can be looked at.
    plain = "+" if job is not None else ""
    wanted = (
        (board, _OF_BOARD),
        (job, "job = ?"),
        (signature, f"{plain}json_extract(finding, '$.signature') = ?"),
        (since_ns, "start_ns >= ?"),
        (until_ns, "start_ns < ?"),
    )
    given = [(value, condition) for value, condition in wanted if value is not None]
    where = f"WHERE {' AND '.join(condition for _, condition in given)}" if given else ""
    args = [*(value for value, _ in given), limit]
    newest = "ORDER BY start_ns DESC, id DESC"
    if board is None:
        return f"SELECT * FROM traces {where} {newest} LIMIT ?", args  # noqa: S608
    # They do not come in order of time: only what is returned is read whole.
    some = f"SELECT rowid FROM traces {where} {newest} LIMIT ?"  # noqa: S608
    return f"SELECT * FROM traces WHERE rowid IN ({some}) {newest}", args  # noqa: S608


def facts(row: TraceRow) -> dict[str, Any]:
    """What the journal says of a trace, beside where it belongs."""
    return {
        "start_ns": row.start_ns,
        "duration_s": (row.end_ns - row.start_ns) / 1e9,
        "reason": row.reason,
        "readings": row.readings,
        "peak_a": row.peak_a,
        "charge_c": row.charge_c,
        "energy_j": row.energy_j,
        "finding": msgspec.to_builtins(row.finding),
    }


def _row(r: tuple[Any, ...]) -> TraceRow:
    return TraceRow(
        id=r[0], job=r[1], supply=r[2], channel=r[3], start_ns=r[4], end_ns=r[5], reason=r[6],
        conditions=_CONDITIONS.decode(r[7]), marks=_MARKS.decode(r[8]),
        finding=_FINDING.decode(r[9]) if r[9] else None,
        readings=r[10], peak_a=r[11], charge_c=r[12], energy_j=r[13],
    )  # fmt: skip


def _json(value: Any) -> str:
    return msgspec.json.encode(value).decode()
