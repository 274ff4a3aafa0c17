"""The log: one SQLite file with jobs, journal, traces, readings, trips, and how far each follower has got.

WAL mode, so readers never wait for the writer. Everything committed survives a kill of the process. Against a power
cut: `transaction(durable=True)` (the default: jobs, journal, traces, trips) is on the disk when it returns; readings
are on the disk with the next durable commit, at the latest when small rows are joined (see `writer.py`).

In the daemon one `LogWriter` owns the writing connection; readers open their own with `read_only=True`. A `Log` may
be used from any thread; one call at a time runs.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
import threading
import time
from collections.abc import Collection, Iterator, Sequence
from pathlib import Path
from typing import Any

import msgspec

from benchd.guard.wire import Tripped
from benchd.jobs.job import Job, JournalEntry, check_job_id
from benchd.reading import Block
from benchd.store import blocks, job_rows, journal_rows, migrations, trace_rows, trip_rows
from benchd.store.blocks import StoredBlock
from benchd.store.errors import LogDown, LogError, from_sqlite
from benchd.store.follower_rows import FollowerRows, Rejected
from benchd.store.trace_rows import TraceRow, new_trace_id
from benchd.store.trip_rows import StoredTrip
from benchd.traces.samples import Samples
from benchd.traces.trace import Finding, Mark, Trace
from benchd.traces.trip_record import trip_figures

__all__ = ["Log", "LogDown", "LogError", "Rejected", "StoredBlock", "StoredTrip", "TraceRow", "new_trace_id"]

BUSY_TIMEOUT_S = 5.0
"""How long to wait for another process (a command line that writes) to finish its transaction."""


PAGE_BYTES = 1024
"""Of a new file; an older one keeps its own."""
CHECKPOINT_BYTES = 4_096_000
"""The -wal file is taken over into the log's own when it has so much: SQLite's usual 1000 pages of 4096 bytes."""


class Log:
    """An open log file. Every method raises LogDown when the file cannot be used now, LogError for a wrong call."""

    def __init__(self, path: Path, db: sqlite3.Connection) -> None:
        self.path = path
        self._db = db
        self._lock = threading.RLock()
        self._depth = 0
        self.followers = FollowerRows(self)

    @classmethod
    def open(cls, path: Path | str, read_only: bool = False) -> Log:
        """Open a log; make the file and its folder when they are not there, bring an older file up to date.

        With `read_only` nothing is made or changed, and a file of an older version is refused.
        Raises LogError when the file is of a newer version or no log, LogDown when it cannot be opened now.
        """
        path = Path(path).absolute()
        db = None
        try:
            if read_only and not path.exists():
                raise LogDown("no such log; the daemon makes it when it starts")
            if not read_only:
                path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
                _made_private(path)
            uri = path.as_uri() + ("?mode=ro" if read_only else "")
            db = sqlite3.connect(uri, uri=True, timeout=BUSY_TIMEOUT_S, isolation_level=None, check_same_thread=False)
            _prepare(db, path, read_only)
            return cls(path, db)
        except BaseException as e:
            if db is not None:
                db.close()
            if isinstance(e, sqlite3.Error):
                raise from_sqlite(e, path) from e
            if isinstance(e, OSError):
                raise LogDown(f"{path}: {e}") from e
            if isinstance(e, LogError):
                raise type(e)(f"{path}: {e}") from None
            raise

    def close(self) -> None:
        """Close the file; again is fine."""
        with self._lock:
            self._db.close()

    def __enter__(self) -> Log:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # ---- transactions -----------------------------------------------------------------------------------------

    @contextlib.contextmanager
    def transaction(self, durable: bool = True) -> Iterator[sqlite3.Connection]:
        """One transaction for all calls inside; a nested one joins the outer. `durable`: on the disk at return."""
        with self._lock:
            try:
                if self._depth == 0:
                    self._db.execute(f"PRAGMA synchronous = {'FULL' if durable else 'NORMAL'}")
                    self._db.execute("BEGIN IMMEDIATE")
                self._depth += 1
                try:
                    yield self._db
                finally:
                    self._depth -= 1
                if self._depth == 0:
                    self._db.execute("COMMIT")
            except BaseException as e:
                if self._depth == 0 and self._db.in_transaction:
                    # SQLite rolls back by itself after some errors (full disk), not after others.
                    with contextlib.suppress(sqlite3.Error):
                        self._db.execute("ROLLBACK")
                if isinstance(e, sqlite3.Error):
                    raise from_sqlite(e, self.path) from e
                raise

    def rows(self, sql: str, args: Sequence[Any] = ()) -> list[tuple[Any, ...]]:
        """All rows of one query."""
        with self._lock:
            try:
                return self._db.execute(sql, args).fetchall()
            except sqlite3.Error as e:
                raise from_sqlite(e, self.path) from e

    def _one(self, sql: str, args: Sequence[Any] = ()) -> tuple[Any, ...] | None:
        return next(iter(self.rows(sql, args)), None)

    @property
    def log_id(self) -> str:
        """Random, made with the file: tells its events from those of another log with the same numbers."""
        return self._value("log") or ""

    # ---- jobs -------------------------------------------------------------------------------------------------

    def add_job(self, job: Job, by: str = "") -> Job:
        """Add a job and its journal entry `job-created`; `by`: who took it in.

        Raises JobError for a bad id, LogError when it is there.
        """
        check_job_id(job.id)
        if not job.created_ns:
            job = msgspec.structs.replace(job, created_ns=time.time_ns())
        job = msgspec.structs.replace(job, changed_ns=job.created_ns, version=1)
        with self.transaction() as db:
            if self.job(job.id) is not None:
                raise LogError(f"job {job.id} is already there; choose it, or give another id")
            job_rows.insert(db, job)
            facts = {"device": job.device, "board": job.board, "symptom": job.symptom} | ({"by": by} if by else {})
            self.add_entry("job-created", job=job.id, payload=facts, t_ns=job.created_ns)
        return job

    def jobs(self, limit: int = 1000) -> list[Job]:
        """Newest first."""
        return job_rows.newest(self.rows, limit)

    def find_jobs(
        self, text: str = "", *, state: str | None = None, board: str | None = None, limit: int = 1000
    ) -> list[Job]:
        """Jobs with all words of a text, in a state, of a kind of board, if given, newest first."""
        return job_rows.found(self.rows, text, state, board, limit)

    def job(self, job: str) -> Job | None:
        """The job of that id."""
        return job_rows.one(self.rows, job)

    def set_current_job(self, job: str | None, by: str = "") -> None:
        """Put a job on the bench (None: no job), with an entry `job-chosen` when it is another one; `by`: who did."""
        with self.transaction() as db:
            if job is not None and self.job(job) is None:
                raise LogError(f"job {job!r} is not there; create it first")
            before = self.current_job()
            if job == before:
                return
            db.execute("DELETE FROM bench WHERE key = 'current-job'")
            if job is not None:
                db.execute("INSERT INTO bench VALUES ('current-job', ?)", (job,))
            said = {"job": job, "before": before} | ({"by": by} if by else {})
            self.add_entry("job-chosen", job=job, payload=said)

    def current_job(self) -> str | None:
        """Id of the job on the bench."""
        return self._value("current-job")

    def _value(self, key: str) -> str | None:
        row = self._one("SELECT value FROM bench WHERE key = ?", (key,))
        return str(row[0]) if row else None

    # ---- journal ----------------------------------------------------------------------------------------------

    def add_entry(
        self,
        kind: str,
        *,
        job: str | None = None,
        supply: str | None = None,
        channel: int | None = None,
        trace: str | None = None,
        payload: dict[str, Any] | None = None,
        t_ns: int | None = None,
    ) -> JournalEntry:
        """Add one line to the timeline, now or at `t_ns`."""
        with self.transaction() as db:
            return journal_rows.insert(db, kind, job, supply, channel, trace, payload, t_ns)

    def journal(
        self,
        job: str | None = None,
        limit: int = 1000,
        after_seq: int | None = None,
        kinds: Collection[str] | None = None,
        trace: str | None = None,
    ) -> list[JournalEntry]:
        """The newest `limit` entries (of one job or trace, above a seq, of some kinds, if given), oldest of them
        first."""
        return journal_rows.newest(self.rows, job, trace, limit, after_seq, kinds)

    def entries_after(self, seq: int, limit: int, kinds: Collection[str]) -> list[JournalEntry]:
        """The oldest `limit` entries above `seq` of these kinds, oldest first: what followers step through."""
        return journal_rows.oldest(self.rows, limit, seq, kinds)

    # ---- traces -----------------------------------------------------------------------------------------------

    def add_trace(self, row: TraceRow) -> JournalEntry:
        """File a trace, with its journal entry `trace` (finding inside). Raises LogError when the id is there."""
        with self.transaction() as db:
            if self.trace(row.id) is not None:
                raise LogError(f"trace {row.id} is already filed")
            trace_rows.insert(db, row)
            return self._trace_entry("trace", row)

    def update_finding(self, trace: str, finding: Finding, marks: list[Mark] | None = None) -> JournalEntry:
        """Replace what a trace says (and its marks), with a journal entry `finding`. Raises LogError when not there."""
        with self.transaction() as db:
            old = self.trace(trace)
            if old is None:
                raise LogError(f"trace {trace!r} is not there")
            row = msgspec.structs.replace(old, finding=finding, marks=old.marks if marks is None else marks)
            trace_rows.update(db, row)
            return self._trace_entry("finding", row)

    def _trace_entry(self, kind: str, row: TraceRow) -> JournalEntry:
        return self.add_entry(
            kind, job=row.job, supply=row.supply, channel=row.channel, trace=row.id, payload=trace_rows.facts(row)
        )

    def traces(
        self,
        job: str | None = None,
        limit: int = 1000,
        *,
        board: str | None = None,
        signature: str | None = None,
        since_ns: int | None = None,
        until_ns: int | None = None,
    ) -> list[TraceRow]:
        """Filed traces, newest first: of a job, of a kind of board, with a signature, since_ns <= start < until_ns, if
        given; all of these together."""
        return trace_rows.newest(self.rows, job, limit, board, signature, since_ns, until_ns)

    def trace(self, trace: str) -> TraceRow | None:
        """The trace of that id."""
        return trace_rows.numbered(self.rows, trace)

    def whole_trace(self, trace: str) -> Trace | None:
        """The trace of that id with its readings."""
        row = self.trace(trace)
        if row is None:
            return None
        samples = self.samples(row.supply, row.channel, row.start_ns, row.end_ns + 1)
        return Trace(samples, row.start_ns, row.conditions, tuple(row.marks))

    # ---- trips ------------------------------------------------------------------------------------------------

    def add_trip(
        self,
        tripped: Tripped,
        job: str | None = None,
        trace: str | None = None,
        figures: dict[str, Any] | None = None,
    ) -> JournalEntry:
        """Keep a trip with the readings around it, and its journal entry `trip`: its figures, and its number as `trip`.

        `figures`: as `trip_figures` made them; None: by what the trip alone says.
        """
        figures = trip_figures(tripped) if figures is None else figures
        with self.transaction() as db:
            facts = figures | {"trip": trip_rows.insert(db, tripped, job, trace, figures)}
            return self.add_entry(
                "trip", job=job, supply=tripped.supply, channel=tripped.channel, trace=trace, payload=facts,
                t_ns=tripped.detected_ns,
            )  # fmt: skip

    def trips(self, job: str | None = None, limit: int = 1000) -> list[StoredTrip]:
        """Trips, of one job if given, newest first."""
        return trip_rows.newest(self.rows, job, limit)

    def trip(self, number: int) -> StoredTrip | None:
        """The trip of that number."""
        return trip_rows.numbered(self.rows, number)

    def latched(self) -> dict[tuple[str, int], StoredTrip | None]:
        """Outputs, by supply and channel, that had tripped and were not re-armed; each with its newest trip.

        A trip that has no later word on the output counts: whoever wrote it may have been killed just then.
        """
        newest = (
            "SELECT supply, channel, kind, payload FROM journal WHERE seq IN (SELECT max(seq) FROM journal"
            " WHERE kind IN ('output', 'trip') AND channel IS NOT NULL GROUP BY supply, channel)"
        )
        return {
            (supply, channel): trip_rows.last_of(self.rows, supply, channel)
            for supply, channel, kind, payload in self.rows(newest)
            if kind == "trip" or msgspec.json.decode(payload).get("latched")
        }

    # ---- readings ---------------------------------------------------------------------------------------------

    def add_block(self, block: Block, job: str | None = None, trace: str | None = None) -> None:
        """Add readings of one channel. Long blocks are stored as several rows."""
        with self.transaction(durable=False) as db:
            blocks.insert(db, block, job, trace)

    def samples(self, supply: str, channel: int, start_ns: int, end_ns: int) -> Samples:
        """The readings of one channel with start_ns <= t < end_ns, in time order."""
        return blocks.between(self.rows, supply, channel, start_ns, end_ns)

    def stream_samples(self, supply: str, channel: int, start_ns: int, end_ns: int) -> Iterator[Samples]:
        """What `samples` returns, in pieces, for more than memory should hold; see `blocks.stream`."""
        return blocks.stream(self.rows, supply, channel, start_ns, end_ns)

    def blocks_after(self, seq: int, limit: int, max_readings: int = 20_000) -> list[StoredBlock]:
        """Rows of readings with a seq above `seq`, oldest first: at most `limit` rows and, past the first row, no more
        than `max_readings`."""
        return blocks.after(self.rows, seq, limit, max_readings)


def _made_private(path: Path) -> None:
    """A new log is its owner's only: what people said is in it. SQLite gives the files beside it the same rights."""
    with contextlib.suppress(OSError):  # it is there, or cannot be made: whoever opens it says so
        os.close(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600))


def _prepare(db: sqlite3.Connection, path: Path, read_only: bool) -> None:
    job_rows.add_functions(db)
    version = migrations.version_of(db)
    if read_only:
        if version < len(migrations.STEPS):
            raise LogError(
                f"the log has version {version}, this benchd reads version {len(migrations.STEPS)}; "
                "`benchd log upgrade` takes it forward and keeps a copy, as the daemon does when it starts"
            )
        return
    if version == 0:
        # A row of readings is some kilobytes: small pages leave a fifth less of the file empty (measured).
        db.execute(f"PRAGMA page_size = {PAGE_BYTES}")
    db.execute("PRAGMA journal_mode = WAL")
    ((page_bytes,),) = db.execute("PRAGMA page_size")
    db.execute(f"PRAGMA wal_autocheckpoint = {CHECKPOINT_BYTES // page_bytes}")
    # What is deleted inside a page is overwritten, at no further writing (sqlite.org/pragma.html).
    db.execute("PRAGMA secure_delete = FAST")
    migrations.migrate(db, path)
