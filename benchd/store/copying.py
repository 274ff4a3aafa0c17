"""A copy of a log's file beside it: whole or not at all, on the disk before anything goes on."""

from __future__ import annotations

import contextlib
import os
import shutil
import sqlite3
from collections.abc import Callable
from pathlib import Path

from benchd.store.errors import LogDown, LogError
from benchd.store.room import file_bytes
from benchd.whole_file import sync_file, sync_folder, take_after

ROOM = 1.1
"""Free space that a copy wants, in its own sizes: the disk is not to be filled to the last byte."""
STEP_PAGES = 4000
"""Of a copy whose progress is told: some 4 MB, a few hundredths of a second."""


def copy_database(
    source: Path, target: Path, *, progress: Callable[[float], None] | None = None, check: bool = False
) -> None:
    """Copy a database as it is at this moment, also while others write to it; takes the place of what `target` was.

    By SQLite's own backup (sqlite.org/backup.html), which sees what is committed and nothing else. The copy has the
    mode of its source, and needs no other file beside it. `progress` is told the share that is done, 0..1; what it
    raises ends the copy. `check`: the copy takes its name only when SQLite finds it whole (`integrity_check`).

    Raises LogDown when it cannot be written or the disk has no room for it, LogError when it is found damaged,
    sqlite3.Error when the source cannot be read; what was at `target` is there still.
    """
    part = target.with_name(target.name + ".part")
    check_room(source, target, "the copy")
    try:
        make_empty(part, source)
        with contextlib.closing(sqlite3.connect(source.absolute().as_uri() + "?mode=ro", uri=True)) as original:
            _fill(original, part, progress)
        if check:
            _check(part, source, progress)
        sync_file(part)
        os.replace(part, target)
    except OSError as e:
        raise LogDown(f"{target}: the copy cannot be written: {e.strerror or e}") from e
    finally:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
    sync_folder(target.parent)


def check_room(source: Path, target: Path, what: str) -> None:
    """That a file as large as a log has room where `target` is to be; `what`: what is to be written, for the message.
    Raises LogDown."""
    try:
        wanted = file_bytes(source) * ROOM
        free = shutil.disk_usage(target.parent).free
    except OSError as e:
        raise LogDown(f"{target}: {what} cannot be written: {e.strerror or e}") from e
    if not wanted <= free:
        raise LogDown(
            f"{target}: no room for {what}: it takes {wanted / 1e6:.1f} MB, the disk has {free / 1e6:.1f} MB free; "
            "free some space"
        )


def make_empty(part: Path, source: Path) -> None:
    """Make the file anew, readable to nobody but those who may read its source. Raises OSError."""
    part.unlink(missing_ok=True)
    descriptor = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    try:
        take_after(source, descriptor)
    finally:
        os.close(descriptor)


def _fill(original: sqlite3.Connection, part: Path, progress: Callable[[float], None] | None) -> None:
    def step(_: int, left: int, pages: int) -> None:
        if progress is not None:
            progress(1 - left / max(pages, 1))

    try:
        with contextlib.closing(sqlite3.connect(part, isolation_level=None)) as copy:
            # A half copy is thrown away: it needs no journal, and one sync at the end is enough.
            copy.execute("PRAGMA journal_mode = OFF")
            copy.execute("PRAGMA synchronous = OFF")
            # One view for all steps: else each commit of the daemon's would make the copy begin anew.
            original.execute("BEGIN")
            original.execute("SELECT count(*) FROM sqlite_master").fetchall()
            original.backup(copy, pages=STEP_PAGES if progress is not None else -1, progress=step, sleep=0)
            copy.execute("PRAGMA journal_mode = DELETE")  # else whoever looks at it needs two more files beside it
    except sqlite3.Error as e:
        if getattr(e, "sqlite_errorname", "").startswith(("SQLITE_FULL", "SQLITE_IOERR", "SQLITE_CANTOPEN")):
            raise LogDown(f"{part}: the copy cannot be written: {e}; free some space, or check the disk") from e
        raise


def _check(part: Path, source: Path, progress: Callable[[float], None] | None) -> None:
    with contextlib.closing(sqlite3.connect(part.absolute().as_uri() + "?mode=ro", uri=True)) as db:
        if progress is not None:
            db.set_progress_handler(lambda: progress(1.0), 1_000_000)  # what it raises ends the look, as an error
        found = [str(row[0]) for row in db.execute("PRAGMA integrity_check(3)")]
    if found != ["ok"]:
        raise LogError(f"{source}: damaged, so no copy of it was kept: {'; '.join(found)}")
