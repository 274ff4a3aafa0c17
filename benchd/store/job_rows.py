"""Jobs as rows: written, changed, and found again."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Sequence
from typing import Any

import msgspec

from benchd.jobs.job import Job

Rows = Callable[[str, Sequence[Any]], list[tuple[Any, ...]]]

COLUMNS = ", ".join(Job.__struct_fields__)
"""The fields of a job are the columns of its row, in this order."""
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


def one(rows: Rows, job: str) -> Job | None:
    """The job of that id."""
    return next((_job(r) for r in rows(f"SELECT {COLUMNS} FROM jobs WHERE id = ?", (job,))), None)  # noqa: S608


def _values(job: Job) -> list[Any]:
    values = list(msgspec.structs.astuple(job))
    values[_CONSENT] = msgspec.json.encode(job.consent).decode()
    return values


def _job(row: tuple[Any, ...]) -> Job:
    values = list(row)
    values[_CONSENT] = _RISKS.decode(row[_CONSENT])
    return Job(*values)
