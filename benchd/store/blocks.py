"""Readings as rows: how they are cut, found again by time, and joined to fewer rows."""

from __future__ import annotations

import dataclasses
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from typing import Any

import numpy as np

from benchd.reading import Block
from benchd.store import codec
from benchd.traces.samples import Samples

MAX_ROW_READINGS = 8192
"""Large enough that a row's overhead is small, small enough that a follower's step is short."""
MAX_ROW_SPAN_NS = 60 * 1_000_000_000
"""No row covers more time, so a search by time need not look further back than this."""

SETTLE_EVERY_S = 120.0
JOIN_ROWS = 2000
JOIN_READINGS = 200_000
"""Joined at once: some 100 ms of work, so that what is recorded meanwhile need not wait long. 16 channels at 1000
readings/s are 80 000 in the 5 s from one time to the next; others may have put a year of rows into the file."""
_NEWEST = 2**63 - 1

STREAM_READINGS = 100_000
"""In one piece of a stream: some 3 MB."""
_LOOK_ROWS = 256

Rows = Callable[[str, Sequence[Any]], list[tuple[Any, ...]]]


@dataclasses.dataclass(frozen=True, slots=True)
class StoredBlock:
    """One row of readings. `seq` orders all rows; joined rows keep the last row's."""

    seq: int
    supply: str
    channel: int
    job: str | None
    trace: str | None
    half_trip_ns: int
    dropped: int
    samples: Samples
    damage: str = ""
    """Why the readings could not be unpacked; `samples` is empty then."""


def insert(db: sqlite3.Connection, block: Block, job: str | None, trace: str | None) -> None:
    """Add readings as one row, or several when they are many or cover long."""
    samples = Samples.from_block(block)
    dropped = block.dropped
    start = 0
    while start < len(samples):
        end = min(len(samples), start + MAX_ROW_READINGS)
        span = samples.t_ns[start:end] - samples.t_ns[start]
        if span.max() - span.min() > MAX_ROW_SPAN_NS:
            end = start + max(1, int(np.argmax(np.abs(span) > MAX_ROW_SPAN_NS // 2)))
        part = samples[start:end]
        db.execute(
            "INSERT INTO blocks (supply, channel, job, trace, t0_ns, t1_ns, n, half_trip_ns, dropped, data)"
            " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (block.supply, block.channel, job, trace, *_reach(part), len(part), block.half_trip_ns, dropped,
             codec.encode(part)),
        )  # fmt: skip
        start, dropped = end, 0


def between(rows: Rows, supply: str, channel: int, start_ns: int, end_ns: int) -> Samples:
    """The readings of one channel with start_ns <= t < end_ns, in time order."""
    found = rows(
        "SELECT data FROM blocks WHERE supply = ? AND channel = ? AND t0_ns >= ? AND t0_ns < ? AND t1_ns >= ?"
        " ORDER BY t0_ns, seq",
        (supply, channel, max(start_ns - MAX_ROW_SPAN_NS, -(2**63)), end_ns, start_ns),
    )
    samples = Samples.concat(codec.decode(r[0]) for r in found)
    if len(samples) > 1 and np.any(np.diff(samples.t_ns) < 0):
        # The clock was set back, or two writers' rows interlace.
        order = np.argsort(samples.t_ns, kind="stable")
        samples = Samples(
            samples.t_ns[order], samples.voltage_v[order], samples.current_a[order],
            samples.mode[order], samples.flags[order],
        )  # fmt: skip
    return samples.between(start_ns, end_ns)


def stream(
    rows: Rows, supply: str, channel: int, start_ns: int, end_ns: int, readings: int = STREAM_READINGS
) -> Iterator[Samples]:
    """What `between` returns, in pieces of some `readings`, of which no two are in memory at once.

    Each piece is looked up by itself, by time: a caller may take as long as it wants, without holding up the log, and
    rows that are joined meanwhile neither hide readings nor show them twice.
    """
    while start_ns < end_ns:
        until_ns = _next_piece(rows, supply, channel, start_ns, end_ns, readings)
        piece = between(rows, supply, channel, start_ns, until_ns)
        if len(piece):
            yield piece
        start_ns = until_ns


def _next_piece(rows: Rows, supply: str, channel: int, start_ns: int, end_ns: int, readings: int) -> int:
    """Until when rows that begin at `start_ns` or later hold some `readings`, or `end_ns`."""
    # What begins before is one row where rows do not interlace; those that do are bounded by MAX_ROW_SPAN_NS.
    total, first_ns = 0, start_ns
    while True:
        found = rows(
            "SELECT t0_ns, n FROM blocks WHERE supply = ? AND channel = ? AND t0_ns >= ? AND t0_ns < ?"
            " ORDER BY t0_ns LIMIT ?",
            (supply, channel, first_ns, end_ns, _LOOK_ROWS),
        )
        for t0_ns, n in found:
            if t0_ns > start_ns and total + n > readings:
                return int(t0_ns)
            total += n
        if len(found) < _LOOK_ROWS:
            return end_ns
        # Rows of the last moment are counted twice when there are more than fit: the piece is then smaller.
        first_ns = max(found[-1][0], first_ns + 1)


def after(rows: Rows, seq: int, limit: int, max_readings: int) -> list[StoredBlock]:
    """Rows with a seq above `seq`, oldest first: at most `limit`, and one at least but no more than the readings."""
    # One statement, so that rows cannot be joined between looking and reading.
    found = rows(
        "SELECT n, seq, supply, channel, job, trace, half_trip_ns, dropped, data FROM blocks WHERE seq > ?"
        " ORDER BY seq LIMIT ?",
        (seq, limit),
    )
    total = 0
    taken: list[StoredBlock] = []
    for n, *row in found:
        total += n
        if taken and total > max_readings:
            break
        taken.append(_stored(row))
    return taken


def _stored(row: Sequence[Any]) -> StoredBlock:
    seq, supply, channel, job, trace, half_trip_ns, dropped, data = row
    try:
        samples, damage = codec.decode(data), ""
    except codec.CodecError as e:
        samples, damage = Samples.empty(), str(e)
    return StoredBlock(seq, supply, channel, job, trace, half_trip_ns, dropped, samples, damage)


def join(db: sqlite3.Connection) -> bool:
    """Join the small rows added since the last time that belong together; True: there are more.

    Readings are committed ten times a second, a handful at a time on a slow supply, and a row has some 150 bytes of
    its own. The joined row takes the last one's seq: a follower that had read only the first of them
    sends those again (same time and tags: the same points), and none misses any.
    """
    fresh, more = _belonging(db, _marker(db, "joined") or 0, _NEWEST)
    if fresh:
        _join_all(db, fresh)
        # Written even when nothing could be joined: a durable commit has to write something to bring all rows to the
        # disk.
        _set_marker(db, "joined", fresh[-1][0])
    return more


def settle(db: sqlite3.Connection) -> bool:
    """Join the rows that were joined up to the time before the last, to as few as may be; True: there are more.

    To be called every SETTLE_EVERY_S: a follower that keeps up has sent them by then, and sends nothing again. Rows of
    before the first call stay as they are.
    """
    joined, settled = _marker(db, "joined") or 0, _marker(db, "settled")
    until = _marker(db, "settling")
    rows, more = ([], False) if settled is None or until is None else _belonging(db, settled, until)
    _join_all(db, rows)
    if more:
        _set_marker(db, "settled", rows[-1][0])
        return True
    _set_marker(db, "settled", joined if until is None else until)
    _set_marker(db, "settling", joined)
    return False


def _belonging(db: sqlite3.Connection, after: int, until: int) -> tuple[list[tuple[Any, ...]], bool]:
    """Rows with after < seq <= until that may be joined: what they have (seq, n, t0, t1), and what they belong to; no
    more than can be joined at once, and whether there are others."""
    found = db.execute(
        "SELECT seq, n, t0_ns, t1_ns, supply, channel, job, trace FROM blocks"
        " WHERE seq > ? AND seq <= ? AND thinned_from IS NULL ORDER BY seq LIMIT ?",
        (after, until, JOIN_ROWS + 1),
    ).fetchall()
    readings = 0
    for place, row in enumerate(found):
        readings += row[1]
        if place == JOIN_ROWS or (place and readings > JOIN_READINGS):
            return found[:place], True
    return found, False


def _join_all(db: sqlite3.Connection, rows: Sequence[tuple[Any, ...]]) -> None:
    groups: dict[tuple[Any, ...], _Group] = {}
    for seq, n, t0_ns, t1_ns, *key in rows:
        group = groups.setdefault(tuple(key), _Group())
        if not group.take(seq, n, t0_ns, t1_ns):
            _join_group(db, group.seqs)
            groups[tuple(key)] = group = _Group()
            group.take(seq, n, t0_ns, t1_ns)
    for group in groups.values():
        _join_group(db, group.seqs)


def _marker(db: sqlite3.Connection, name: str) -> int | None:
    row = db.execute("SELECT value FROM bench WHERE key = ?", (name,)).fetchone()
    return int(row[0]) if row else None


def _set_marker(db: sqlite3.Connection, name: str, seq: int) -> None:
    db.execute("INSERT OR REPLACE INTO bench VALUES (?, ?)", (name, str(seq)))


class _Group:
    """Rows that can become one."""

    def __init__(self) -> None:
        self.seqs: list[int] = []
        self.n = 0
        self.t0_ns, self.t1_ns = 2**63, -(2**63)

    def take(self, seq: int, n: int, t0_ns: int, t1_ns: int) -> bool:
        """Add a row; False when the joined row would get too large."""
        low, high = min(self.t0_ns, t0_ns), max(self.t1_ns, t1_ns)
        if self.seqs and (self.n + n > MAX_ROW_READINGS or high - low > MAX_ROW_SPAN_NS):
            return False
        self.seqs.append(seq)
        self.n += n
        self.t0_ns, self.t1_ns = low, high
        return True


def _join_group(db: sqlite3.Connection, seqs: list[int]) -> None:
    if len(seqs) < 2:
        return
    marks = ", ".join("?" * len(seqs))
    rows = db.execute(
        f"SELECT data, half_trip_ns, dropped FROM blocks WHERE seq IN ({marks}) ORDER BY seq",  # noqa: S608
        seqs,
    ).fetchall()
    try:
        samples = Samples.concat(codec.decode(r[0]) for r in rows)
    except codec.CodecError:
        return  # left as they are: a damaged row must not take its neighbours with it, nor stop the recording
    db.execute(f"DELETE FROM blocks WHERE seq IN ({', '.join('?' * (len(seqs) - 1))})", seqs[:-1])  # noqa: S608
    db.execute(
        "UPDATE blocks SET t0_ns = ?, t1_ns = ?, n = ?, half_trip_ns = ?, dropped = ?, data = ? WHERE seq = ?",
        (*_reach(samples), len(samples), max(r[1] for r in rows), sum(r[2] for r in rows),
         codec.encode(samples), seqs[-1]),
    )  # fmt: skip


def _reach(samples: Samples) -> tuple[int, int]:
    return int(samples.t_ns.min()), int(samples.t_ns.max())
