"""What people ask of the log: jobs, journal, notes, traces, trips. Reads and writes, or says why not."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import msgspec
import numpy as np

from benchd.daemon.core import Core
from benchd.daemon.watch import MODE_WORDS
from benchd.guard.wire import Tripped
from benchd.jobs.job import Job, JobError, JournalEntry, State, check_job_id
from benchd.reading import Mode
from benchd.store.compacting import compact
from benchd.store.errors import LogDamaged, LogDown, LogError
from benchd.store.follower_rows import RejectedRow
from benchd.store.forgetting import Personal, forget, personal
from benchd.store.forgetting_files import left_in_log, left_text
from benchd.store.job_changes import add_made_job
from benchd.store.log import Log, StoredTrip, TraceRow
from benchd.store.marking import Marked, MarkedMeanwhile, MarkError, keep_marked, mark_again
from benchd.traces.samples import Samples
from benchd.traces.trip_record import trip_samples
from benchd.web.port import JobForgotten, Refused, TripReadings, TripRow

T = TypeVar("T")
WRITTEN_S = 5.0
"""Within this readings are in the log, or it does not take any now."""


class Records:
    """The part of `BenchPort` that has to do with the log. Lives in the event loop."""

    def __init__(self, core: Core, log_path: Path) -> None:
        self._core = core
        self._log_path = log_path

    async def jobs(
        self, text: str = "", *, state: State | None = None, board: str | None = None, limit: int = 1000
    ) -> list[Job]:
        """See `BenchPort.jobs`."""
        return await self.read(lambda db: db.find_jobs(text, state=state, board=board, limit=limit))

    async def create_job(self, job: Job, by: str = "") -> Job:
        """See `BenchPort.create_job`."""
        job = msgspec.structs.replace(job, created_ns=job.created_ns or time.time_ns())
        if job.id:
            try:
                check_job_id(job.id)
            except JobError as e:
                raise Refused("out-of-range", str(e)) from None
            if await self.read(lambda db: db.job(job.id)) is not None:
                raise Refused("wrong-state", f"job {job.id} is there already")
        pattern = self._core.settings.jobs.id_pattern
        made = await self.write(lambda db: db.add_job(job, by) if job.id else add_made_job(db, job, pattern, by))
        self._core.event("job", {"created": made.id})
        return made

    async def choose_job(self, job: str | None, by: str = "") -> None:
        """See `BenchPort.choose_job`."""
        if job is not None and await self.read(lambda db: db.job(job)) is None:
            raise Refused("not-found", f"job {job!r} is not in the log; take it in first")
        await self.write(lambda db: db.set_current_job(job, by))
        self._core.job = job
        self._core.event("job", {"chosen": job})
        for watch in self._core.watches.values():
            self._core.state_changed(watch)

    async def forget_job(self, job: str, by: str = "") -> JobForgotten:
        """See `BenchPort.forget_job`."""
        known = await self.read(lambda db: personal(db, job) if db.job(job) is not None else None)
        if known is None:
            raise Refused("not-found", f"job {job!r} is not in the log")
        await self._core.all_filed()
        for watch in self._core.watches.values():
            if (
                watch.on
                or watch.tap is not None
                or watch.open is not None
                or (watch.supply, watch.number) in self._core.starting
            ):
                raise Refused(
                    "wrong-state",
                    f"{watch.supply}/{watch.number} is {watch.output}: switch it off first; the log's file is written "
                    "anew to forget a job, and recording waits for that",
                )
        await self._all_written(job)
        done = await self.write(lambda db: forget(db, job, time.time_ns(), by=by))
        for watch in self._core.watches.values():
            if watch.last_closed is not None and watch.last_closed.job == job:
                watch.last_closed = None  # what comes of it now must not bring the id back
        self._core.event("job", {"forgotten": done.job})
        left = await self._cleaned(known)
        return JobForgotten(done.job, done.notes, done.traces, done.rows, left, done.photos)

    async def _all_written(self, job: str) -> None:
        """Wait until the log has its last readings: written later, they would bring the id back. Raises Refused."""
        try:
            async with asyncio.timeout(WRITTEN_S):
                while self._core.writer.waits(job):  # noqa: ASYNC110 - the writer's thread has no event of the loop
                    await asyncio.sleep(0.05)
        except TimeoutError:
            raise Refused("log-down", f"readings of {job} are not in the log yet: ask again when it records") from None

    async def _cleaned(self, known: Personal) -> str:
        """Write the file anew and look through it; what is still to be done, empty for nothing."""
        try:
            await asyncio.wrap_future(self._core.writer.submit(compact, keep=False, bare=True))
            return left_text(await self.read(lambda db: left_in_log(db, known)))
        except (LogError, Refused, OSError) as e:
            return f"the log's file may still hold deleted parts of it, since it could not be written anew: {e}"

    async def journal(self, job: str | None, limit: int) -> list[JournalEntry]:
        """See `BenchPort.journal`."""
        return await self.read(lambda db: db.journal(job=job, limit=limit))

    async def rejected(self, follower: str, limit: int) -> list[RejectedRow]:
        """See `BenchPort.rejected`."""

        def get(db: Log) -> list[RejectedRow] | None:
            ran = {known for name in db.followers.counted() for known in (name, name.split()[0])}
            return db.followers.set_aside(follower, limit) if follower in ran | self._core.followers.keys() else None

        found = await self.read(get)
        if found is None:
            raise Refused("not-found", f"no follower {follower!r} ever ran on this log; GET /followers has their names")
        return found

    async def note(self, job: str | None, text: str, by: str = "") -> JournalEntry:
        """See `BenchPort.note`."""
        under = job or self._core.job
        if under is None:
            raise Refused("wrong-state", "no job is on the bench: choose one, then write the note")
        if await self.read(lambda db: db.job(under)) is None:
            raise Refused("not-found", f"job {under!r} is not in the log; take it in first")
        said = {"text": text} | ({"by": by} if by else {})
        entry: JournalEntry = await self.write(lambda db: db.add_entry("note", job=under, payload=said))
        self._core.event("journal", {"job": under})
        return entry

    async def traces(
        self,
        job: str | None,
        limit: int,
        *,
        board: str | None = None,
        signature: str | None = None,
        since_ns: int | None = None,
        until_ns: int | None = None,
    ) -> list[TraceRow]:
        """See `BenchPort.traces`."""
        return await self.read(
            lambda db: db.traces(job, limit, board=board, signature=signature, since_ns=since_ns, until_ns=until_ns)
        )

    async def trace_row(self, trace: str) -> TraceRow:
        """See `BenchPort.trace_row`."""
        row = await self.read(lambda db: db.trace(trace))
        if row is None:
            raise Refused("not-found", f"trace {trace!r} is not in the log")
        return row

    async def trace(self, trace: str) -> tuple[TraceRow, Samples]:
        """See `BenchPort.trace`."""

        def get(db: Log) -> tuple[TraceRow, Samples] | None:
            row = db.trace(trace)
            if row is None:
                return None
            return row, db.samples(row.supply, row.channel, row.start_ns, row.end_ns + 1)

        found = await self.read(get)
        if found is None:
            raise Refused("not-found", f"trace {trace!r} is not in the log")
        return found

    async def mark_trace(self, trace: str, kind: str, at_s: float | None, by: str = "") -> TraceRow:
        """See `BenchPort.mark_trace`."""

        def again(db: Log) -> Marked | None:
            try:
                return mark_again(db, trace, kind, at_s, self._core.cards.shelf())
            except MarkError as e:
                raise Refused("out-of-range", str(e)) from None

        # Read in a thread of its own: the log's writer must not wait for that.
        marked = await self.read(again)
        if marked is None:
            raise Refused("not-found", f"trace {trace!r} is not in the log")
        try:
            row = await self.write(lambda db: keep_marked(db, marked, by))
        except MarkedMeanwhile as e:
            raise Refused("wrong-state", str(e)) from None
        self._core.event("journal", {"job": row.job})
        return row

    async def trips(self, job: str | None, limit: int) -> list[TripRow]:
        """See `BenchPort.trips`."""
        return [trip_row(trip) for trip in await self.read(lambda db: db.trips(job=job, limit=limit))]

    async def trip(self, number: int) -> tuple[TripRow, TripReadings]:
        """See `BenchPort.trip`."""
        found = await self.read(lambda db: db.trip(number))
        if found is None:
            raise Refused("not-found", f"trip {number} is not in the log")
        return trip_row(found), trip_readings(found.tripped)

    async def read(self, ask: Callable[[Log], T]) -> T:
        """What `ask` finds in the log, on a connection of its own that only reads, in a thread. Raises Refused."""

        def work() -> T:
            db = Log.open(self._log_path, read_only=True)
            try:
                return ask(db)
            finally:
                db.close()

        try:
            return await asyncio.to_thread(work)
        except LogError as e:
            raise Refused("log-down", str(e)) from None

    async def write(self, change: Callable[[Log], T]) -> T:
        """What `change` makes of the log, as one transaction of its writer. Raises Refused; what `change` raises beside
        a LogError comes out as it is."""
        try:
            return await asyncio.wrap_future(self._core.writer.submit(change, keep=False))
        except (LogDown, LogDamaged) as e:
            raise Refused("log-down", str(e)) from None
        except LogError as e:  # somebody else was quicker: the job is there by now, or gone
            raise Refused("wrong-state", str(e)) from None


def trip_row(trip: StoredTrip) -> TripRow:
    """A trip as lists show it."""
    return TripRow(trip.number, trip.supply, trip.channel, trip.job, trip.trace, trip.figures)


def trip_readings(trip: Tripped) -> TripReadings:
    """The readings around a trip as columns. What is no number is left out, since JSON has none of those."""
    samples = trip_samples(trip)
    valid = np.isfinite(samples.voltage_v) & np.isfinite(samples.current_a)

    def ms(t_ns: int | None) -> float | None:
        return None if t_ns is None else round((t_ns - trip.detected_ns) / 1e6, 4)

    return TripReadings(
        t_ms=np.round((samples.t_ns[valid] - trip.detected_ns) / 1e6, 4).tolist(),
        voltage_v=samples.voltage_v[valid].tolist(),
        current_a=samples.current_a[valid].tolist(),
        mode=[MODE_WORDS[Mode(mode)] for mode in samples.mode[valid].tolist()],
        marks={
            "onset": ms(trip.onset_ns),
            "detected": 0.0,
            "off_sent": ms(trip.off_sent_ns) if trip.off_sent else None,
            "off_confirmed": ms(trip.off_confirmed_ns),
        },
    )
