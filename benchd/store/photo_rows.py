"""Photos of jobs in the log: added, listed, shown, removed. Each change has a journal entry."""

from __future__ import annotations

import sqlite3
import time

from benchd.jobs.photo import MOST_PHOTOS, Developed, Photo
from benchd.store.errors import LogError
from benchd.store.log import Log

ADDED, REMOVED = "photo", "photo-removed"
"""Kinds of journal entries."""
_SHOWN = "id, job, t_ns, caption, width, height, length(jpeg), added_by"


def add_photo(log: Log, job: str, photo: Developed, caption: str, by: str, t_ns: int | None = None) -> Photo:
    """Keep a photo of a job. Raises LogError when there is no such job, or it has as many as it may."""
    t_ns = time.time_ns() if t_ns is None else t_ns
    with log.transaction() as db:
        if log.job(job) is None:
            raise LogError(f"job {job!r} is not there; create it first")
        ((count,),) = log.rows("SELECT count(*) FROM photos WHERE job = ?", (job,))
        if count >= MOST_PHOTOS:
            raise LogError(f"job {job} has {count} photos already: remove some first; allowed are {MOST_PHOTOS}")
        number = insert(db, job, photo, caption, by, t_ns)
        size = {"width": photo.width, "height": photo.height, "bytes": len(photo.jpeg)}
        said = {"photo": number, "caption": caption, **size, "by": by}
        log.add_entry(ADDED, job=job, payload=said, t_ns=t_ns)
    return Photo(number, job, t_ns, caption, photo.width, photo.height, len(photo.jpeg), by)


def insert(db: sqlite3.Connection, job: str, photo: Developed, caption: str, by: str, t_ns: int) -> int:
    """Add a row; its number."""
    number = db.execute(
        "INSERT INTO photos (job, t_ns, caption, width, height, added_by, thumbnail, jpeg)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        (job, t_ns, caption, photo.width, photo.height, by, photo.thumbnail, photo.jpeg),
    ).lastrowid
    assert number is not None
    return number


def photos(log: Log, job: str) -> list[Photo]:
    """The photos of a job, oldest first."""
    return [Photo(*r) for r in log.rows(f"SELECT {_SHOWN} FROM photos WHERE job = ? ORDER BY id", (job,))]  # noqa: S608


def picture(log: Log, job: str, number: int) -> bytes | None:
    """The JPEG of a photo of that job, at most 2560 pixels wide and high."""
    return _blob(log, "jpeg", job, number)


def thumbnail(log: Log, job: str, number: int) -> bytes | None:
    """The small JPEG of a photo of that job, at most 320 pixels wide and high."""
    return _blob(log, "thumbnail", job, number)


def remove_photo(log: Log, job: str, number: int, by: str) -> Photo:
    """Remove a photo for good: its bytes are overwritten in the file (sqlite.org/pragma.html, secure_delete).

    What it was stays in the journal. Raises LogError when it is not there.
    """
    with log.transaction() as db:
        found = next((each for each in photos(log, job) if each.id == number), None)
        if found is None:
            raise LogError(f"job {job} has no photo {number}")
        db.execute("PRAGMA secure_delete = ON")
        db.execute("DELETE FROM photos WHERE id = ?", (number,))
        db.execute("PRAGMA secure_delete = FAST")  # as for everything else that is written
        log.add_entry(REMOVED, job=job, payload={"photo": number, "by": by})
    return found


def _blob(log: Log, column: str, job: str, number: int) -> bytes | None:
    found = log.rows(f"SELECT {column} FROM photos WHERE id = ? AND job = ?", (number, job))  # noqa: S608
    return bytes(found[0][0]) if found else None
