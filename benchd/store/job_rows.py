"""Jobs as rows: written, changed, and found again."""

from __future__ import annotations

import sqlite3
import unicodedata
from collections.abc import Callable, Sequence
from typing import Any

import msgspec

from benchd.jobs.job import Job

Rows = Callable[[str, Sequence[Any]], list[tuple[Any, ...]]]

COLUMNS = ", ".join(Job.__struct_fields__)
"""The fields of a job are the columns of its row, in this order."""
FIELDS = ("id", "device", "board", "symptom", "history", "accessories")
"""In what a search looks for words."""
_CONSENT = Job.__struct_fields__.index("consent")
_RISKS = msgspec.json.Decoder(tuple[str, ...])


def insert(db: sqlite3.Connection, job: Job) -> None:
    """Add a job; its id must be free."""
    marks = ", ".join("?" * len(Job.__struct_fields__))
    db.execute(f"INSERT INTO jobs ({COLUMNS}) VALUES ({marks})", _values(job))  # noqa: S608


def update(db: sqlite3.Connection, job: Job) -> None:
    """Write a job over the one of its id."""
    sets = ", ".join(f"{name} = ?" for name in Job.__struct_fields__)
    db.execute(f"UPDATE jobs SET {sets} WHERE id = ?", (*_values(job), job.id))  # noqa: S608


def newest(rows: Rows, limit: int) -> list[Job]:
    """The newest `limit` jobs; all of them where it is below 0."""
    return [_job(r) for r in rows(f"SELECT {COLUMNS} FROM jobs ORDER BY created_ns DESC LIMIT ?", (limit,))]  # noqa: S608


def found(rows: Rows, text: str, state: str | None, board: str | None, limit: int) -> list[Job]:
    """The newest `limit` jobs to which all that is given applies. `text`: each of its words is in the id or in what is
    said of the device (FIELDS), in any case; `folded` is a function of the connection (`add_functions`)."""
    given = [("state = ?", state), ("board = ?", board)]
    parts = [condition for condition, value in given if value is not None]
    args: list[Any] = [value for _, value in given if value is not None]
    for word in fold(text).split():
        parts.append(f"instr(folded({', '.join(FIELDS)}), ?)")
        args.append(word)
    where = " AND ".join(parts) or "1"
    sql = f"SELECT {COLUMNS} FROM jobs WHERE {where} ORDER BY created_ns DESC LIMIT ?"  # noqa: S608
    return [_job(r) for r in rows(sql, (*args, limit))]


def boards(rows: Rows, limit: int = 500) -> list[str]:
    """The kinds of boards of all jobs, in the order of their names."""
    sql = "SELECT DISTINCT board FROM jobs WHERE board <> '' ORDER BY board COLLATE NOCASE LIMIT ?"
    return [board for (board,) in rows(sql, (limit,))]


def add_functions(db: sqlite3.Connection) -> None:
    """Give a connection what `found` asks with: SQLite's own `lower` knows no letters but those of English."""
    db.create_function("folded", len(FIELDS), lambda *texts: fold("\n".join(texts)), deterministic=True)


def fold(text: str) -> str:
    """As it is compared: compatible forms and cases are one (Unicode, UAX #15, NFKC)."""
    return unicodedata.normalize("NFKC", text).casefold()


def one(rows: Rows, job: str) -> Job | None:
    """The job of that id."""
    return next((_job(r) for r in rows(f"SELECT {COLUMNS} FROM jobs WHERE id = ?", (job,))), None)  # noqa: S608


def by_id(rows: Rows, job: str) -> Job | None:
    """The job of that id, else the only one whose id differs in case alone: scanners swap it when a lock is on."""
    if (same := one(rows, job)) is not None:
        return same
    alike = [_job(r) for r in rows(f"SELECT {COLUMNS} FROM jobs WHERE id = ? COLLATE NOCASE LIMIT 2", (job,))]  # noqa: S608
    return alike[0] if len(alike) == 1 else None


def _values(job: Job) -> list[Any]:
    values = list(msgspec.structs.astuple(job))
    values[_CONSENT] = msgspec.json.encode(job.consent).decode()
    return values


def _job(row: tuple[Any, ...]) -> Job:
    values = list(row)
    values[_CONSENT] = _RISKS.decode(row[_CONSENT])
    return Job(*values)
