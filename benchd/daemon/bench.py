"""The bench as people ask for it: what page, command line and demo may do. Implements `benchd.web.port.BenchPort`."""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any, TypeVar

import msgspec

from benchd.daemon.core import Core
from benchd.daemon.memory import between
from benchd.daemon.watch import ChannelWatch
from benchd.guard.client import GuardClient, GuardRefused
from benchd.guard.wire import RuleLimits
from benchd.jobs.job import Job, JobError, JournalEntry, check_job_id
from benchd.reading import OutputState
from benchd.settings import Plan, check_plan
from benchd.store.errors import LogDown, LogError
from benchd.store.log import Log, TraceRow
from benchd.supplies.clock import now_ns
from benchd.traces.samples import Samples
from benchd.web.port import BenchView, Refused

T = TypeVar("T")
MARKS = ("connected", "button", "boot-end", "removed")


class Bench:
    """Checks what is asked, asks guard and log, answers or refuses. Lives in the event loop."""

    def __init__(self, core: Core, log_path: Path) -> None:
        self._core = core
        self._log_path = log_path

    def view(self) -> BenchView:
        """See `BenchPort.view`."""
        return self._core.view()

    def live(self) -> AsyncIterator[dict[str, Any]]:
        """See `BenchPort.live`."""
        return self._core.live()

    def _watch(self, supply: str, channel: int) -> ChannelWatch:
        try:
            return self._core.watches[supply, channel]
        except KeyError:
            there = ", ".join(f"{s}/{c}" for s, c in self._core.watches)
            raise Refused(
                "not-found", f"supply {supply!r} channel {channel} is not on this bench; there are: {there}"
            ) from None

    def _guard(self) -> GuardClient:
        if self._core.guard is None:
            raise Refused("link-down", "the guard is not running yet; wait a moment")
        return self._core.guard

    async def power_on(self, supply: str, channel: int, plan: str | None) -> None:
        """See `BenchPort.power_on`."""
        watch = self._watch(supply, channel)
        settings = next(s for s in self._core.settings.supply if s.name == supply)
        try:
            chosen = check_plan(
                self._core.settings, supply, next(c for c in settings.channel if c.number == channel), plan
            )
        except ValueError as e:
            raise Refused("out-of-range", str(e)) from None
        if watch.output == OutputState.ON:
            raise Refused("wrong-state", f"{supply}/{channel} is on already; switch it off first")
        board = ""
        if (on_bench := self._core.job) is not None:
            with contextlib.suppress(Refused):  # a log that is down does not keep a board from being powered
                job = await self._read(lambda db: db.job(on_bench))
                board = job.board if job else ""
        before = watch.plan, watch.board
        watch.plan, watch.board = chosen.name, board
        try:
            await self._guard().power_on(
                supply,
                channel,
                chosen.voltage_v,
                chosen.limit_a,
                rule_limits(chosen),
                self._core.meetings.given(supply),
            )
        except GuardRefused as e:
            watch.plan, watch.board = before  # another page may have switched it on with another plan meanwhile
            raise Refused(e.code or "wrong-state", str(e)) from None

    async def consent(self, supply: str, key: str, who: str) -> None:
        """See `BenchPort.consent`."""
        self._watch(supply, next((c for s, c in self._core.watches if s == supply), 1))
        met = self._core.meetings.of(supply)
        if met is None:
            raise Refused(
                "link-down", f"supply {supply} has not been reached yet: it has to be met before it can be consented to"
            )
        if not met.consent:
            raise Refused("wrong-state", f"supply {supply}: profile {met.profile} is {met.trust}; it needs no consent")
        if key != met.consent:
            raise Refused(
                "wrong-state",
                f"supply {supply}: what was consented to is not what is there now ({met.maker} {met.model} by profile "
                f"{met.profile}); read it again and decide again",
            )
        if self._core.meetings.needed(supply):
            self._core.accept(supply, who)

    async def power_off(self, supply: str | None, channel: int | None) -> None:
        """See `BenchPort.power_off`."""
        if supply is not None and channel is not None:
            self._watch(supply, channel)
        try:
            await self._guard().power_off(supply, channel)
        except GuardRefused as e:
            raise Refused("wrong-state", str(e)) from None

    async def rearm(self, supply: str, channel: int) -> None:
        """See `BenchPort.rearm`."""
        self._watch(supply, channel)
        try:
            await self._guard().rearm(supply, channel)
        except GuardRefused as e:
            raise Refused("wrong-state", str(e)) from None

    async def mark(self, supply: str, channel: int, kind: str) -> None:
        """See `BenchPort.mark`."""
        watch = self._watch(supply, channel)
        if kind not in MARKS:
            raise Refused("out-of-range", f"mark {kind!r}: allowed are {', '.join(MARKS)}")
        if watch.output != OutputState.ON:
            raise Refused("wrong-state", f"{supply}/{channel} is {watch.output}: a mark belongs to a running trace")
        watch.mark(kind, now_ns())  # type: ignore[arg-type]
        self._core.state_changed(watch)

    async def jobs(self) -> list[Job]:
        """See `BenchPort.jobs`."""
        return await self._read(lambda db: db.jobs())

    async def create_job(self, job: Job) -> Job:
        """See `BenchPort.create_job`."""
        try:
            check_job_id(job.id)
        except JobError as e:
            raise Refused("out-of-range", str(e)) from None
        if await self._read(lambda db: db.job(job.id)) is not None:
            raise Refused("wrong-state", f"job {job.id} is there already")
        made = msgspec.structs.replace(job, created_ns=job.created_ns or time.time_ns())
        await self._write(lambda db: db.add_job(made))
        self._core.event("job", {"created": made.id})
        return made

    async def choose_job(self, job: str | None) -> None:
        """See `BenchPort.choose_job`."""
        if job is not None and await self._read(lambda db: db.job(job)) is None:
            raise Refused("not-found", f"job {job!r} is not in the log; take it in first")
        await self._write(lambda db: db.set_current_job(job))
        self._core.job = job
        self._core.event("job", {"chosen": job})
        for watch in self._core.watches.values():
            self._core.state_changed(watch)

    async def journal(self, job: str | None, limit: int) -> list[JournalEntry]:
        """See `BenchPort.journal`."""
        return await self._read(lambda db: db.journal(job=job, limit=limit))

    async def note(self, job: str | None, text: str) -> JournalEntry:
        """See `BenchPort.note`."""
        under = job or self._core.job
        if under is None:
            raise Refused("wrong-state", "no job is on the bench: choose one, then write the note")
        if await self._read(lambda db: db.job(under)) is None:
            raise Refused("not-found", f"job {under!r} is not in the log; take it in first")
        entry: JournalEntry = await self._write(lambda db: db.add_entry("note", job=under, payload={"text": text}))
        self._core.event("journal", {"job": under})
        return entry

    async def traces(self, job: str | None, limit: int) -> list[TraceRow]:
        """See `BenchPort.traces`."""
        return await self._read(lambda db: db.traces(job=job, limit=limit))

    async def trace(self, trace: str) -> tuple[TraceRow, Samples]:
        """See `BenchPort.trace`."""

        def get(db: Log) -> tuple[TraceRow, Samples] | None:
            row = db.trace(trace)
            if row is None:
                return None
            return row, db.samples(row.supply, row.channel, row.start_ns, row.end_ns + 1)

        found = await self._read(get)
        if found is None:
            raise Refused("not-found", f"trace {trace!r} is not in the log")
        return found

    async def recent(self, supply: str, channel: int, seconds: float) -> Samples:
        """See `BenchPort.recent`."""
        now = now_ns()
        parts = self._watch(supply, channel).memory.parts()
        return await asyncio.to_thread(between, parts, now - round(seconds * 1e9), now + 10**10)

    async def _read(self, ask: Callable[[Log], T]) -> T:
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

    async def _write(self, change: Callable[[Log], T]) -> T:
        try:
            return await asyncio.wrap_future(self._core.writer.submit(change, keep=False))
        except LogDown as e:
            raise Refused("log-down", str(e)) from None
        except LogError as e:  # somebody else was quicker: the job is there by now, or gone
            raise Refused("wrong-state", str(e)) from None


def rule_limits(plan: Plan) -> RuleLimits:
    """A plan's protections as the guard's rules take them."""
    return RuleLimits(
        over_current_a=plan.over_current_a,
        over_voltage_v=plan.over_voltage_v,
        short_voltage_fraction=plan.short_voltage_fraction,
        short_hold_s=plan.short_hold_ms / 1000,
        harmless_bulk_f=plan.harmless_bulk_uf / 1e6,
        stale_s=plan.stale_ms / 1000,
    )
