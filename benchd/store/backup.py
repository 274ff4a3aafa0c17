"""Copies of the log: made while it is written, and put back.

A copy is one whole file that needs no other beside it. In a folder of copies each log has its own names, by its id and
the time (UTC), so that two benches may share a folder and neither removes the other's.
"""

from __future__ import annotations

import contextlib
import os
import re
import sqlite3
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

from benchd.store import migrations
from benchd.store.copying import copy_database
from benchd.store.errors import LogDamaged, LogDown, LogError, from_sqlite
from benchd.store.holding import held
from benchd.store.in_place import beside, free_name, put_in_place

_NAME = re.compile(r"benchd-([0-9a-f]{12})-(\d{8}-\d{6})Z\.sqlite")
_STAMP = "%Y%m%d-%H%M%S"

SKIPPED = 1_000_000
"""So many numbers of events and rows are left out after a restore when nobody knows how far the lost log had counted:
those who were told of them drop an event with a number they know (30 events/s for 9 hours; common sense, no source)."""

Progress = Callable[[float], None]
"""Told the share that is done, 0..1. What it raises ends the work; nothing has changed then."""


def backup(log: Path, target: Path, now: datetime, progress: Progress | None = None) -> Path:
    """Copy the log as it is at this moment, also while others write to it; where the copy is.

    `target`: a folder, in which the copy has a name by the log's id and `now`, or a file; a file that is there must be
    an older copy of this log. The copy takes its name once it is whole, checked (`integrity_check`) and on the disk.
    Raises LogDown when it cannot be written or the log cannot be read now, LogError when the target or the log is not
    what it should be; nothing is changed then.
    """
    own = log_id(log)
    if target.is_dir():
        target = target / f"benchd-{own}-{now.astimezone(UTC):{_STAMP}}Z.sqlite"
    _check_target(log, own, target)
    try:
        copy_database(log, target, progress=progress, check=True)
    except sqlite3.Error as e:
        raise from_sqlite(e, log) from e
    return target


def restore(log: Path, copy: Path, now: datetime, progress: Progress | None = None) -> Path | None:
    """Put a copy in the log's place; where the file that was there is kept now, None when there was none.

    The numbers that events and rows get from now on are above those that the present file has given, so that nobody
    who was told of these takes a new one for a repeat. Raises FolderHeld while the daemon runs, LogError when the copy
    is damaged, of a newer version or no log, LogDown when the file cannot be written; nothing is changed then.
    """
    _check_copy(copy)
    if log.exists() and copy.exists() and log.samefile(copy):
        raise LogError(f"{copy}: this is the log itself; name a copy of it")
    new = beside(log, "restored.part")
    with held(log.parent):
        try:
            copy_database(copy, new, progress=progress, check=True)
            _count_on(new, log)
            kept = free_name(beside(log, f"before-restore-{now.astimezone(UTC):{_STAMP}}Z"))
            return put_in_place(new, log, kept, fold=True)
        except sqlite3.Error as e:
            raise _of_copy(from_sqlite(e, copy)) from e
        finally:
            new.unlink(missing_ok=True)


def _check_copy(copy: Path) -> None:
    try:
        log_id(copy)
    except LogDamaged as e:
        raise _of_copy(e) from e


def _of_copy(error: LogError) -> LogError:
    """What is advised for a damaged log is none for a copy of one."""
    if not isinstance(error, LogDamaged):
        return error
    what = str(error).partition(";")[0]
    return LogDamaged(f"{what}: this copy is damaged or cut off, and nothing was restored: take another copy")


def log_id(path: Path) -> str:
    """The id of the log in a file, of any version this benchd knows. Raises LogError for anything else, LogDown when
    it cannot be read now."""
    try:
        if not path.is_file():
            raise LogDown(f"{path}: there is no such file")
        with contextlib.closing(sqlite3.connect(path.absolute().as_uri() + "?mode=ro", uri=True)) as db:
            if migrations.version_of(db) == 0:
                raise LogError("an empty file and no log of benchd; name another")
            return str(db.execute("SELECT value FROM bench WHERE key = 'log'").fetchone()[0])
    except sqlite3.Error as e:
        raise from_sqlite(e, path) from e
    except OSError as e:
        raise LogDown(f"{path}: {e.strerror or e}") from e
    except (TypeError, UnicodeDecodeError):
        raise LogDamaged(f"{path}: the log in it has no id; `benchd log check` says what is damaged") from None
    except LogError as e:
        raise e if str(path) in str(e) else type(e)(f"{path}: {e}") from None


def copies_in(folder: Path, log: str) -> list[Path]:
    """The copies of the log of that id, oldest first. Raises OSError when the folder cannot be read."""
    found = ((match, path) for path in folder.iterdir() if (match := _NAME.fullmatch(path.name)))
    return [path for match, path in sorted(found, key=lambda each: each[0][2]) if match[1] == log]


def made_at(copy: Path) -> datetime:
    """When a copy of that name was made."""
    match = _NAME.fullmatch(copy.name)
    assert match is not None
    return datetime.strptime(match[2], _STAMP).replace(tzinfo=UTC)


def keep_newest(folder: Path, log: str, kept: int) -> list[Path]:
    """Remove the oldest copies of that log until `kept` are left; those removed. Raises OSError.

    With them go parts that a kill left of copies begun before the newest whole one.
    """
    copies = copies_in(folder, log)
    over = copies[:-kept]
    parts = [path for path in folder.glob(f"benchd-{log}-*Z.sqlite.part") if copies and path.name < copies[-1].name]
    for path in [*over, *parts]:
        path.unlink(missing_ok=True)
    return over


def known_backups(log: Path, backup_dir: Path | None) -> list[Path]:
    """Files that hold what this log held once: copies in the folder for copies, and what was kept beside the log.

    Copies that somebody made elsewhere are not known. Raises OSError when a folder cannot be read, LogError as
    `log_id`.
    """
    found = [] if backup_dir is None or not backup_dir.is_dir() else copies_in(backup_dir, log_id(log))
    kept = [each for word in ("before-", "damaged-") for each in log.parent.glob(f"{log.name}.{word}*")]
    return found + sorted(each for each in kept if not each.name.endswith("-shm") and each.stat().st_size)


def _check_target(log: Path, own: str, target: Path) -> None:
    if not target.parent.is_dir():
        raise LogDown(f"{target.parent}: there is no such folder: make it, or mount its disk")
    if target.name in {log.name, *(log.name + end for end in ("-wal", "-shm", "-journal"))} and (
        target.parent.resolve() == log.parent.resolve()
    ):
        raise LogError(f"{target}: this is the log itself; name another file")
    if not os.path.lexists(target):
        return
    if target.is_symlink() or not target.is_file() or target.samefile(log):
        raise LogError(f"{target}: a copy takes the place of an older copy only, and this is none; name another file")
    try:
        there = log_id(target)
    except LogError as e:
        raise LogError(f"{e}; it is not overwritten: name another file, or move it away") from e
    wal = target.with_name(target.name + "-wal")
    if there != own or (wal.exists() and wal.stat().st_size):
        what = f"the log {there}" if there != own else "a log that is in use, with its -wal file beside it"
        raise LogError(f"{target}: it holds {what} and is not overwritten: name another file, or move it away")


def _count_on(new: Path, log: Path) -> None:
    """Numbers given by the present file are not given again."""
    with contextlib.closing(sqlite3.connect(new, isolation_level=None)) as db:
        counted = _numbers(log, str(db.execute("SELECT value FROM bench WHERE key = 'log'").fetchone()[0]))
        own = dict(db.execute("SELECT name, seq FROM sqlite_sequence"))
        if counted is None:
            counted = {table: own.get(table, 0) + SKIPPED for table in ("blocks", "journal")}
        db.execute("BEGIN IMMEDIATE")
        for table, number in counted.items():
            if number > own.get(table, 0):
                db.execute("DELETE FROM sqlite_sequence WHERE name = ?", (table,))
                db.execute("INSERT INTO sqlite_sequence VALUES (?, ?)", (table, number))
        db.execute("COMMIT")


def _numbers(log: Path, of: str) -> dict[str, int] | None:
    """How far the present file has counted; nothing for a log of another id, None when that cannot be read."""
    try:
        if log_id(log) != of:
            return {}
        with contextlib.closing(sqlite3.connect(log.absolute().as_uri() + "?mode=ro", uri=True)) as db:
            return {str(name): int(number) for name, number in db.execute("SELECT name, seq FROM sqlite_sequence")}
    except (LogError, sqlite3.Error, ValueError, TypeError):
        return None
