"""Another file takes the place of the log's, and the log's is kept under another name."""

from __future__ import annotations

import contextlib
import os
import shutil
import sqlite3
from pathlib import Path

from benchd.store.errors import LogDown
from benchd.whole_file import sync_file, sync_folder, take_after


def beside(log: Path, word: str) -> Path:
    """A file beside the log that belongs to it."""
    return log.with_name(f"{log.name}.{word}")


def free_name(path: Path) -> Path:
    """This name, or one like it that is not taken."""
    number, free = 1, path
    while os.path.lexists(free):
        number += 1
        free = path.with_name(f"{path.name}-{number}")
    return free


def put_in_place(new: Path, log: Path, kept: Path, *, fold: bool) -> Path | None:
    """`new` becomes the log; what was there is `kept` from now on, with its -wal file. None when nothing was there.

    The folder must be held (`held`). `fold`: bring what waits in the -wal file into the file first; without it nothing
    is written to the old file, for one that is damaged. Raises LogDown; `new` and the log are as they were then.
    """
    kept_wal = kept.with_name(kept.name + "-wal")
    wal, shm = (log.with_name(log.name + end) for end in ("-wal", "-shm"))
    try:
        with new.open("rb") as file:
            take_after(log, file.fileno())  # the daemon's user can read and write it as before, and nobody else
        sync_file(new)
        if fold:
            _fold(log)
        was_there = log.exists()
        if was_there:
            _keep(log, kept)
            if wal.exists() and wal.stat().st_size:
                _keep(wal, kept_wal)
            sync_folder(log.parent)
        # SQLite would take the old one's -wal for the new one's: it goes first. A kill just here leaves the old file
        # without it, but whole under the other name.
        wal.unlink(missing_ok=True)
        shm.unlink(missing_ok=True)
        try:
            os.replace(new, log)
        except OSError:
            if kept_wal.exists():
                _keep(kept_wal, wal)
            raise
    except OSError as e:
        raise LogDown(
            f"{log}: the file cannot be put in its place: {e.strerror or e}; the old one is there still"
        ) from e
    sync_folder(log.parent)
    return kept if was_there else None


def _fold(log: Path) -> None:
    """Bring what waits in the -wal file into the file, which needs none from then on; one that is damaged stays as it
    is."""
    with contextlib.suppress(sqlite3.Error):
        if log.exists():
            with contextlib.closing(sqlite3.connect(log)) as db:
                db.execute("PRAGMA journal_mode = DELETE").fetchall()


def _keep(path: Path, kept: Path) -> None:
    try:
        os.link(path, kept)
    except OSError:  # a file system without hard links
        shutil.copy2(path, kept)
        sync_file(kept)
