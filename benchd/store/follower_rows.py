"""How far each follower has got, and what its server would not take."""

from __future__ import annotations

import time
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import msgspec

from benchd.store.job_words import Words, job_sent

if TYPE_CHECKING:
    from benchd.store.log import Log

KEEP_REJECTED = 1000
"""Newest items kept per follower for looking at; all are counted."""
MAX_ITEM_CHARS = 2000
FORGOTTEN = "forgotten"
"""Stands for the id of a job that is no longer in the log."""


class Rejected(msgspec.Struct, frozen=True):
    """One item that a server refused for good: `item` is what was sent, `reason` what it answered."""

    seq: int
    reason: str
    item: str


class RejectedRow(msgspec.Struct, frozen=True):
    """A refused item as the log has it. `t_ns`: when it was set aside, ns since the epoch."""

    follower: str
    seq: int
    t_ns: int
    reason: str
    item: str


class FollowerRows:
    """The tables `cursors` and `rejected` of a log."""

    def __init__(self, log: Log) -> None:
        self._log = log

    def cursor(self, name: str) -> int | None:
        """Seq of the last row that this follower is done with; None when it never ran on this log."""
        rows = self._log.rows("SELECT seq FROM cursors WHERE name = ?", (name,))
        return int(rows[0][0]) if rows else None

    def advance(self, name: str, seq: int, rejected: Sequence[Rejected] = ()) -> None:
        """Move the cursor and set refused items aside, in one transaction.

        Not durable against a power cut: the worst is that some items are sent again.
        """
        with self._log.transaction(durable=False) as db:
            db.execute(
                "INSERT INTO cursors (name, seq, rejected) VALUES (?, ?, ?) ON CONFLICT (name) DO UPDATE"
                " SET seq = excluded.seq, rejected = rejected + excluded.rejected",
                (name, seq, len(rejected)),
            )
            if not rejected:
                return
            now = time.time_ns()
            db.executemany(
                "INSERT INTO rejected (follower, seq, t_ns, reason, item) VALUES (?, ?, ?, ?, ?)",
                [
                    (name, r.seq, now, r.reason[:MAX_ITEM_CHARS], r.item[:MAX_ITEM_CHARS])
                    for r in self._still_named(rejected[-KEEP_REJECTED:])
                ],
            )
            db.execute(
                "DELETE FROM rejected WHERE follower = ? AND id <= (SELECT id FROM rejected WHERE follower = ?"
                " ORDER BY id DESC LIMIT 1 OFFSET ?)",
                (name, name, KEEP_REJECTED),
            )

    def _still_named(self, rejected: Sequence[Rejected]) -> list[Rejected]:
        """A job may have been forgotten while what was sent of it waited for its place here."""
        ids = {job for r in rejected if (job := job_sent(r.item)) is not None}
        gone = [job for job in ids if not self._log.rows("SELECT 1 FROM jobs WHERE id = ?", (job,))]
        if not gone or not self._log.rows("SELECT 1 FROM forgotten LIMIT 1"):
            return list(rejected)
        words = {job: Words(job, FORGOTTEN) for job in gone}

        def clean(r: Rejected) -> Rejected:
            word = words.get(job_sent(r.item) or "")
            return r if word is None else Rejected(r.seq, word.sent(r.reason), word.sent(r.item))

        return [clean(r) for r in rejected]

    def set_aside(self, follower: str | None = None, limit: int = 100) -> list[RejectedRow]:
        """The newest refused items, newest first: of one follower and its streams (`influxdb` has `influxdb readings`
        and `influxdb events`), or of all."""
        sql = (
            "SELECT follower, seq, t_ns, reason, item FROM rejected"
            " WHERE ?1 IS NULL OR follower = ?1 OR substr(follower, 1, length(?1) + 1) = ?1 || ' '"
            " ORDER BY id DESC LIMIT ?2"
        )
        return [RejectedRow(*r) for r in self._log.rows(sql, (follower, limit))]

    def counted(self) -> dict[str, int]:
        """Every follower and stream that ever ran on this log, and how many of its items were refused."""
        return {name: int(count) for name, count in self._log.rows("SELECT name, rejected FROM cursors ORDER BY name")}

    def oldest(self, table: str, after: int, kinds: Sequence[str] = ()) -> int | None:
        """When the next row above a seq happened (in `blocks`, or in `journal` of these kinds), ns; None: none."""
        if table == "blocks":
            rows = self._log.rows("SELECT t0_ns FROM blocks WHERE seq > ? ORDER BY seq LIMIT 1", (after,))
        else:
            marks = ", ".join("?" * len(kinds))
            sql = f"SELECT t_ns FROM journal WHERE seq > ? AND kind IN ({marks}) ORDER BY seq LIMIT 1"  # noqa: S608
            rows = self._log.rows(sql, (after, *kinds))
        return int(rows[0][0]) if rows else None

    def readings_after(self, seq: int, rows: int) -> int:
        """How many readings the next rows have, at most so many rows."""
        sql = "SELECT coalesce(sum(n), 0) FROM (SELECT n FROM blocks WHERE seq > ? ORDER BY seq LIMIT ?)"
        return int(self._log.rows(sql, (seq, rows))[0][0])

    def rejected_count(self, name: str) -> int:
        """How many items were ever refused."""
        rows = self._log.rows("SELECT rejected FROM cursors WHERE name = ?", (name,))
        return int(rows[0][0]) if rows else 0

    def head(self, table: str, kinds: Sequence[str] = ()) -> int:
        """The highest seq in `blocks` or in `journal` (of these kinds); 0 when there is none."""
        args: Sequence[Any] = ()
        if table == "blocks":
            sql = "SELECT coalesce(max(seq), 0) FROM blocks"
        else:
            sql = f"SELECT coalesce(max(seq), 0) FROM journal WHERE kind IN ({', '.join('?' * len(kinds))})"  # noqa: S608
            args = kinds
        return int(self._log.rows(sql, args)[0][0])
