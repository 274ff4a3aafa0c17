"""Free pages inside of the log's file, held for when the disk is full: recording goes on in them, thinning can begin.

A file beside the log would not do: what fills the disk would take the room that such a file gives up. The -wal file
needs room of its own; it keeps the size that it once had, and got it when the pages were made.
"""

from __future__ import annotations

from benchd.store.compacting import sizes
from benchd.store.log import Log

BYTES = 16_000_000
"""Hours of one channel, and the -wal file of hundreds of transactions. Our choice."""


def hold(log: Log) -> None:
    """Make free pages until there are some BYTES of them. Raises LogDown when there is no room for that.

    Outside of a transaction: pages that come and go in one are never written, and the disk would not give them.
    """
    missing = BYTES - sizes(log).free_inside
    if missing <= 0:
        return
    with log.transaction(durable=False) as db:
        db.execute("CREATE TABLE IF NOT EXISTS spare_room (x BLOB)")
        db.execute("INSERT INTO spare_room VALUES (zeroblob(?))", (BYTES,))
    with log.transaction(durable=False) as db:
        db.execute("DROP TABLE spare_room")
