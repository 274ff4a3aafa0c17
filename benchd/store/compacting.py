"""Writes the log's file anew without what is free inside it, which gives the disk its space back.

Besides, nothing of what was deleted is left in the file then: SQLite's VACUUM builds it from the rows that are there
(sqlite.org/lang_vacuum.html), and emptying the -wal file removes the earlier copies of its pages.
"""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path
from typing import NamedTuple

from benchd.store.errors import LogDown
from benchd.store.log import Log
from benchd.store.room import file_bytes

OWED = "compact-owed"
"""Key in the log's table `bench`: something was deleted that no byte is to be left of, and the file has not been
written anew since."""


class Sizes(NamedTuple):
    """Bytes."""

    file: int
    """With its -wal file."""
    free_inside: int
    """Pages of the file that hold nothing and are used before it grows."""


def sizes(log: Log) -> Sizes:
    """How large the file is, and how much of it is free. Raises LogError."""
    ((free,),) = log.rows("PRAGMA freelist_count")
    ((page,),) = log.rows("PRAGMA page_size")
    return Sizes(file_bytes(log.path), free * page)


def compact(log: Log) -> None:
    """Write the file anew. Outside of a transaction; other writers wait meanwhile, some seconds for a GB.

    Raises LogDown when there is no room for the copy, or somebody else holds the file; nothing has changed then.
    """
    _check_room(log)
    log.rows("VACUUM")
    empty_wal(log)
    with log.transaction() as db:
        db.execute("DELETE FROM bench WHERE key = ?", (OWED,))


def is_owed(log: Log) -> bool:
    """Whether a kill, or a disk without room, came between a forgetting and writing the file anew. Raises LogError."""
    return bool(log.rows("SELECT 1 FROM bench WHERE key = ?", (OWED,)))


def empty_wal(log: Log) -> None:
    """Bring what waits in the -wal file into the file, and cut it to nothing. Outside of a transaction.

    Raises LogDown when a reader or writer does not let go within 5 s.
    """
    busy, *_ = log.rows("PRAGMA wal_checkpoint(TRUNCATE)")[0]
    if busy:
        wal = log.path.with_name(log.path.name + "-wal")
        raise LogDown(
            f"{wal}: another program reads or writes the log and does not let go of it: close it, then "
            "`benchd log compact`"
        )


def _check_room(log: Log) -> None:
    """The new file is built in the system's folder for temporary files, and comes in through the -wal file."""
    size = sizes(log)
    need = size.file - size.free_inside
    for folder in {log.path.parent, Path(tempfile.gettempdir())}:
        free = shutil.disk_usage(folder).free
        if not need <= free:
            raise LogDown(
                f"{log.path}: to write the file anew {need / 1e6:.0f} MB must be free in {folder}, and "
                f"{free / 1e6:.0f} MB are: free some space (nothing was changed)"
            )
