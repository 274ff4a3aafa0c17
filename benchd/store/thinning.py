"""Old readings thinned by rule: of each stretch of BUCKET_NS the extremes stay, as real readings at their real times.

What stays of a row: the first and the last reading of each bucket and of the row, the smallest and the largest voltage
and current of each bucket, both readings at each change of mode or flags or between numbers and none, and each reading
that follows a gap. Nothing is averaged or moved. What is never thinned is in `kept_whole`; neither is what a follower
has not sent yet. A row keeps its number, so no follower sends it again; how many readings it had is kept beside it.

Looking (`Thinner.next`) is done by any connection, as long as it takes; only `apply` writes: a batch in one short
transaction, and only if nothing was said meanwhile that could change what is kept.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from datetime import UTC, datetime
from typing import Any, NamedTuple

import msgspec
import numpy as np
from numpy.typing import NDArray

from benchd.reading import Flag
from benchd.store import codec
from benchd.store.kept_whole import ON_BENCH, KeptWhole, journal_end
from benchd.store.log import Log
from benchd.traces.samples import Samples
from benchd.traces.thin import extremes, pick

BUCKET_NS = 10_000_000_000
"""Six readings at most stay of 10 s: of 50 readings/s one in eighty. Our choice: fine enough to see when a bench was
in use and what it drew, coarse enough that a year of idle readings is small."""
BATCH_ROWS = 24
"""Rows of one transaction. On a small machine it takes some ms; the daemon's readings wait for that long."""
DAMAGED = "damaged"
NOTHING_TO_GO = "few enough already"


class Cut(NamedTuple):
    """One row with fewer readings; `data` None: all of them stay."""

    seq: int
    t0_ns: int
    t1_ns: int
    n: int
    n_before: int
    data: bytes | None
    bytes_before: int


class Batch(NamedTuple):
    """What one transaction changes, and what was left alone on the way to it: readings by reason."""

    cuts: list[Cut]
    kept: dict[str, int]
    version: int
    """The end of the journal when it was looked at."""


class Tally(msgspec.Struct):
    """Sums over rows."""

    rows: int = 0
    readings_before: int = 0
    readings_after: int = 0
    bytes_before: int = 0
    bytes_after: int = 0


class Report(msgspec.Struct):
    """What went, or would go."""

    before_ns: int
    """Readings older than this were looked at, ns since the epoch."""
    months: dict[str, Tally] = {}
    """By month of the reading (UTC), as "2026-01"."""
    kept: dict[str, int] = {}
    """Readings that are older and stay, by reason."""
    waiting: dict[str, int] = {}
    """Readings that are older and not sent yet, by follower."""

    @property
    def total(self) -> Tally:
        """Over all months."""
        all_ = Tally()
        for month in self.months.values():
            for key in Tally.__struct_fields__:
                setattr(all_, key, getattr(all_, key) + getattr(month, key))
        return all_

    def add(self, batch: Batch) -> None:
        """Count a batch."""
        for why, n in batch.kept.items():
            self.kept[why] = self.kept.get(why, 0) + n
        for cut in batch.cuts:
            if cut.data is not None:
                tally = self.months.setdefault(_month(cut.t0_ns), Tally())
                tally.rows += 1
                tally.readings_before += cut.n_before
                tally.readings_after += cut.n
                tally.bytes_before += cut.bytes_before
                tally.bytes_after += len(cut.data)

    def entry(self) -> dict[str, Any]:
        """As the payload of a journal entry `thinned`."""
        all_ = self.total
        text = (
            f"{all_.readings_before} readings from before {_date(self.before_ns)} thinned to {all_.readings_after}, "
            f"{all_.bytes_before} bytes to {all_.bytes_after}"
        )
        return {"before_ns": self.before_ns, **msgspec.to_builtins(all_), "kept": self.kept, "text": text}


class Thinner:
    """Goes through a log's old rows, the oldest first. Uses one connection, in any thread, one call at a time."""

    def __init__(self, log: Log, before_ns: int, without: Collection[str] = ()) -> None:
        """`before_ns`: readings older than this, ns since the epoch. `without`: followers that need not be waited for.

        Raises LogError.
        """
        self._log = log
        self._before_ns = before_ns
        self._kept = KeptWhole(log)
        self._at = (-(2**63), 0)
        self._next = self._at
        behind = cursors(log, without)
        self._sent = min(behind.values(), default=2**63 - 1)
        self.report = Report(before_ns, waiting=_waiting(log, before_ns, behind))

    def next(self) -> Batch | None:
        """The next rows to be thinned; None at the end. The same again unless `took`. Raises LogError."""
        if journal_end(self._log) != self._kept.version:
            self._kept = KeptWhole(self._log)
        cuts: list[Cut] = []
        kept: dict[str, int] = {}
        at = self._at
        while len(cuts) < BATCH_ROWS:
            rows = self._rows(at)
            if not rows:
                break
            for row in rows:
                cut = self._look(row, kept)
                at = row[5], row[0]
                if cut is not None:
                    cuts.append(cut)
                if len(cuts) == BATCH_ROWS:
                    break
        if at == self._at:
            return None
        self._next = at
        return Batch(cuts, kept, self._kept.version)

    def took(self, batch: Batch) -> None:
        """The batch was applied, or is only to be counted: go on behind it."""
        self._at = self._next
        self.report.add(batch)

    def _rows(self, at: tuple[int, int]) -> list[tuple[Any, ...]]:
        return self._log.rows(
            "SELECT seq, supply, channel, job, t0_ns, t1_ns, n FROM blocks WHERE thinned_from IS NULL AND t1_ns < ?"
            " AND +seq <= ? AND t1_ns >= ? AND (t1_ns, seq) > (?, ?) ORDER BY t1_ns, seq LIMIT 200",
            (self._before_ns, self._sent, at[0], *at),
        )

    def _look(self, row: tuple[Any, ...], kept: dict[str, int]) -> Cut | None:
        seq, supply, channel, job, t0_ns, t1_ns, n = row
        key = (supply, channel)
        on_bench = job is not None and job == self._kept.job_on_bench
        if why := (ON_BENCH if on_bench else self._kept.all_of(key, t0_ns, t1_ns)):
            kept[why] = kept.get(why, 0) + n
            return None
        data = self._log.rows("SELECT data FROM blocks WHERE seq = ?", (seq,))
        if not data:
            return None  # joined with others meanwhile
        try:
            samples = codec.decode(data[0][0])
        except codec.CodecError:
            kept[DAMAGED] = kept.get(DAMAGED, 0) + n
            return None
        whole, counts = self._kept.among(key, samples)
        whole[what_stays(samples)] = True
        for why, count in counts.items():
            kept[why] = kept.get(why, 0) + count
        if whole.all():
            kept[NOTHING_TO_GO] = kept.get(NOTHING_TO_GO, 0) + n - sum(counts.values())
            return Cut(seq, t0_ns, t1_ns, n, n, None, len(data[0][0]))
        left = pick(samples, np.flatnonzero(whole))
        packed = codec.encode(left)
        return Cut(seq, int(left.t_ns.min()), int(left.t_ns.max()), len(left), len(samples), packed, len(data[0][0]))


def what_stays(samples: Samples) -> NDArray[np.intp]:
    """Places of the readings (one at least) that thinning leaves, ascending."""
    t_ns, flags = samples.t_ns, samples.flags
    numbers = np.isfinite(samples.voltage_v) & np.isfinite(samples.current_a)
    kind = samples.mode.astype(np.uint32) << 16 | flags.astype(np.uint32) << 8 | numbers
    changes = np.flatnonzero(kind[1:] != kind[:-1])
    gaps = np.flatnonzero(flags & Flag.GAP)
    parts: list[NDArray[np.intp]] = [
        extremes(t_ns // BUCKET_NS, (samples.voltage_v, samples.current_a)),
        changes, changes + 1,
        gaps, np.maximum(gaps - 1, 0),
        # By time, where the clock was set back: the row's reach must not shrink.
        np.array([t_ns.argmin(), t_ns.argmax()]),
    ]  # fmt: skip
    return np.unique(np.concatenate(parts))


def apply(log: Log, batch: Batch) -> bool:
    """Write a batch in one transaction; False, and nothing is written, when what is kept may have changed meanwhile.

    Not durable against a power cut: the rows are then as they were. Raises LogError.
    """
    with log.transaction(durable=False) as db:
        if journal_end(log) != batch.version:
            return False
        for cut in batch.cuts:
            known = (cut.n_before, cut.seq, cut.n_before)
            if cut.data is None:
                db.execute("UPDATE blocks SET thinned_from = ? WHERE seq = ? AND n = ? AND thinned_from IS NULL", known)
            else:
                db.execute(
                    "UPDATE blocks SET t0_ns = ?, t1_ns = ?, n = ?, data = ?, thinned_from = ?"
                    " WHERE seq = ? AND n = ? AND thinned_from IS NULL",
                    (cut.t0_ns, cut.t1_ns, cut.n, cut.data, *known),
                )
    return True


def thin(log: Log, thinner: Thinner, write: bool = True) -> Iterator[Report]:
    """Thin all (`write` false: look only); the report so far after each batch. Raises LogError."""
    while (batch := thinner.next()) is not None:
        if not write or apply(log, batch):
            thinner.took(batch)
            yield thinner.report


def cursors(log: Log, without: Collection[str] = ()) -> dict[str, int]:
    """How far the followers of readings have got: number of the last row sent, by name. Raises LogError."""
    found = log.rows("SELECT name, seq FROM cursors WHERE name LIKE '% readings'")
    return {name: seq for name, seq in found if name not in without}


def _waiting(log: Log, before_ns: int, behind: dict[str, int]) -> dict[str, int]:
    sql = "SELECT coalesce(sum(n), 0) FROM blocks WHERE seq > ? AND t1_ns < ?"
    counts = {name: int(log.rows(sql, (seq, before_ns))[0][0]) for name, seq in behind.items()}
    return {name: n for name, n in counts.items() if n}


def months_before(now_ns: int, months: int) -> int:
    """The same moment of the calendar so many months earlier (UTC; the month's last day where it is shorter).

    ns since the epoch, to the second; never before the year 1.
    """
    now = datetime.fromtimestamp(now_ns // 1_000_000_000, UTC)
    count = now.year * 12 + now.month - 1 - months
    year, month = divmod(max(count, 12), 12)
    for day in range(now.day, 0, -1):
        try:
            then = now.replace(year=year, month=month + 1, day=day)
        except ValueError:
            continue
        return int(then.timestamp()) * 1_000_000_000
    raise AssertionError("every month has a first day")


def _month(t_ns: int) -> str:
    return f"{datetime.fromtimestamp(t_ns // 1_000_000_000, UTC):%Y-%m}"


def _date(t_ns: int) -> str:
    return f"{datetime.fromtimestamp(t_ns // 1_000_000_000, UTC):%Y-%m-%d}"
