"""Trips in the log: the guard's whole record with the readings around it, and its figures as they were worked out."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Sequence
from typing import Any

import msgspec

from benchd.guard.wire import Tripped
from benchd.traces.trip_record import trip_figures

# Made here, while one thread imports: msgspec 0.22 crashes the process when two threads meet a type for the first time.
_TRIPPED = msgspec.msgpack.Decoder(Tripped)

Rows = Callable[[str, Sequence[Any]], list[tuple[Any, ...]]]
_COLUMNS = "id, supply, channel, job, trace, record, figures"


class StoredTrip(msgspec.Struct, frozen=True):
    """A trip with what it is filed under."""

    number: int
    supply: str
    channel: int
    job: str | None
    trace: str | None
    tripped: Tripped
    figures: dict[str, Any]
    """`trip_figures`, with what was known of the supply's accuracy then."""


def insert(db: sqlite3.Connection, trip: Tripped, job: str | None, trace: str | None, figures: dict[str, Any]) -> int:
    """Keep a trip; its number."""
    number = db.execute(
        "INSERT INTO trips (detected_ns, supply, channel, job, trace, rule, record, figures)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        (trip.detected_ns, trip.supply, trip.channel, job, trace, trip.rule, msgspec.msgpack.encode(trip),
         msgspec.json.encode(figures).decode()),
    ).lastrowid  # fmt: skip
    assert number is not None
    return number


def newest(rows: Rows, job: str | None = None, limit: int = 1000) -> list[StoredTrip]:
    """Trips, of one job if given, newest first."""
    where, args = ("WHERE job = ?", [job]) if job is not None else ("", [])
    found = rows(f"SELECT {_COLUMNS} FROM trips {where} ORDER BY id DESC LIMIT ?", [*args, limit])  # noqa: S608
    return [_stored(row) for row in found]


def numbered(rows: Rows, number: int) -> StoredTrip | None:
    """The trip of that number."""
    found = rows(f"SELECT {_COLUMNS} FROM trips WHERE id = ?", (number,))  # noqa: S608
    return _stored(found[0]) if found else None


def last_of(rows: Rows, supply: str, channel: int) -> StoredTrip | None:
    """The newest trip of an output."""
    found = rows(
        f"SELECT {_COLUMNS} FROM trips WHERE supply = ? AND channel = ? ORDER BY id DESC LIMIT 1",  # noqa: S608
        (supply, channel),
    )
    return _stored(found[0]) if found else None


def _stored(row: tuple[Any, ...]) -> StoredTrip:
    number, supply, channel, job, trace, record, figures = row
    tripped = _TRIPPED.decode(record)
    # A record of an earlier version has none kept; what is missing in it counts as not known.
    known = msgspec.json.decode(figures) if figures else trip_figures(tripped)
    return StoredTrip(number, supply, channel, job, trace, tripped, known)
