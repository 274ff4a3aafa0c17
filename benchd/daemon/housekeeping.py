"""Thins the log's old readings: once a day while nothing is on, and when the disk is full, each if the settings say so.
And ends what an earlier daemon was killed at: writing the file anew after a job was forgotten.

A clock that has just been set is not believed: the first look, and one after a jump of weeks, only notes the time, and
a day has to pass by it. What was thinned by mistake would not come back.
"""

from __future__ import annotations

import asyncio
import functools
import logging
import shutil
from collections.abc import Awaitable, Callable
from pathlib import Path

from benchd.daemon.core import Core
from benchd.store import spare_room
from benchd.store.compacting import compact, is_owed, sizes
from benchd.store.errors import LogError
from benchd.store.log import Log
from benchd.store.thinning import Report, Thinner, apply, months_before
from benchd.supplies.clock import now_ns

log = logging.getLogger("benchd")

LOOK_S = 10.0
HOUR_NS = 3_600_000_000_000
EACH_NS = 20 * HOUR_NS
"""A little less than a day, for a bench that is on in working hours only."""
BELIEVED_NS = 31 * 24 * HOUR_NS
LOOKED = "thin-looked"
"""Key in the log's table `bench`: when it was thinned last, ns since the epoch."""
FULL_BYTES = 4 * spare_room.BYTES
"""With less free the disk counts as full: before it is, thinning still has room to work."""
LEAST_INSIDE = spare_room.BYTES // 2
"""With less free inside of the log's file, more is made: of the disk, or by thinning when that is full."""
ENOUGH_BYTES = 32_000_000
"""So much room is made inside of the log's file."""
YOUNG_NS = 24 * HOUR_NS
"""What is younger is not thinned for want of room."""


class Housekeeping:
    """Lives in the event loop. `clock`: ns since the epoch; `free`: bytes free on the disk of a folder."""

    def __init__(
        self,
        core: Core,
        clock: Callable[[], int] = now_ns,
        free: Callable[[Path], int] = lambda folder: shutil.disk_usage(folder).free,
    ) -> None:
        self._core = core
        self._clock = clock
        self._free = free
        self._path = Path(core.writer.path)
        self._wish = core.settings.log
        self._told = False
        self._owed = True
        """Not known to be done."""

    async def keep(self, sleep: Callable[[float], Awaitable[object]] = asyncio.sleep) -> None:
        """Until cancelled."""
        while self._owed or self._wish.thin_after_months is not None or self._wish.thin_when_full:
            try:
                await self.look()
            except (LogError, OSError) as e:
                log.warning("old readings could not be thinned, which is tried again: %s", e)
            await sleep(LOOK_S)

    async def look(self) -> None:
        """Do what is due. Raises LogError, OSError."""
        if self._owed and self._core.idle:
            await self._write_anew()
        if self._wish.thin_when_full:
            full, inside = await asyncio.to_thread(self._room)
            if full and inside < LEAST_INSIDE:
                await self._make_room()
                return
            if not full:
                self._told = False
                if inside < LEAST_INSIDE:
                    await asyncio.wrap_future(self._core.writer.submit(spare_room.hold, keep=False, bare=True))
        if self._wish.thin_after_months is not None and self._core.idle and await self._due():
            await self._daily(self._wish.thin_after_months)

    async def _write_anew(self) -> None:
        def owed() -> bool:
            with Log.open(self._path, read_only=True) as db:
                return is_owed(db)

        if await asyncio.to_thread(owed):
            await asyncio.wrap_future(self._core.writer.submit(compact, keep=False, bare=True))
            log.info("the log's file was written anew, since a job was forgotten before")
        self._owed = False

    # ---- once a day ----------------------------------------------------------------------------------------------

    async def _busy(self, db: Log) -> bool:
        return not self._core.idle

    async def _due(self) -> bool:
        now = self._clock()
        last = await asyncio.to_thread(self._looked)
        if last is None or not 0 <= now - last <= BELIEVED_NS:
            await self._note(now)
            return False
        return now - last >= EACH_NS

    def _looked(self) -> int | None:
        with Log.open(self._path, read_only=True) as db:
            found = db.rows("SELECT value FROM bench WHERE key = ?", (LOOKED,))
        return int(found[0][0]) if found else None

    async def _note(self, t_ns: int) -> None:
        def note(db: Log) -> None:
            with db.transaction() as connection:
                connection.execute("INSERT OR REPLACE INTO bench VALUES (?, ?)", (LOOKED, str(t_ns)))

        await asyncio.wrap_future(self._core.writer.submit(note, keep=False, quiet=True))

    async def _daily(self, months: int) -> None:
        now = self._clock()
        report, whole = await self._thin(months_before(now, months), self._busy)
        if whole:
            await self._note(now)
        if report.total.rows:
            log.info("%s", report.entry()["text"])

    # ---- the disk is full ----------------------------------------------------------------------------------------

    def _room(self) -> tuple[bool, int]:
        """Whether the disk is full, and how much is free inside of the file, bytes."""
        health = self._core.writer.health()
        stuck = health["state"] == "failing" and "disk is full" in health["text"]
        with Log.open(self._path, read_only=True) as db:
            inside = 0 if stuck else sizes(db).free_inside
        return stuck or self._free(self._path.parent) < FULL_BYTES, inside

    async def _make_room(self) -> None:
        report, _ = await self._thin(self._clock() - YOUNG_NS, _roomy, "the disk is full: ")
        done = report.total
        if done.rows:
            self._say(f"the disk is full, so the log's oldest readings were thinned: {report.entry()['text']}")
        else:
            self._say("the disk is full, and nothing in the log may be thinned any more")

    def _say(self, what: str) -> None:
        """Once for each time that the disk is full."""
        if not self._told:
            self._told = True
            self._core.alarm(f"{what}; free some space")

    async def _thin(
        self, before_ns: int, enough: Callable[[Log], Awaitable[bool]], why: str = ""
    ) -> tuple[Report, bool]:
        """Thin until it is enough; what went, and whether it came to the end. With an entry in the journal."""
        db = await asyncio.to_thread(Log.open, self._path, True)
        try:
            thinner = await asyncio.to_thread(Thinner, db, before_ns)
            whole = await self._batches(db, thinner, enough)
        finally:
            db.close()
        if thinner.report.total.rows:
            entry = thinner.report.entry()
            entry["text"] = why + entry["text"]
            # Not waited for: it is kept until it can be written, and on a full disk there may be more to do first.
            self._core.writer.submit(lambda db: db.add_entry("thinned", payload=entry))
        return thinner.report, whole

    async def _batches(self, db: Log, thinner: Thinner, enough: Callable[[Log], Awaitable[bool]]) -> bool:
        while not await enough(db):
            batch = await asyncio.to_thread(thinner.next)
            if batch is None:
                return True
            try:
                work = self._core.writer.submit(functools.partial(apply, batch=batch), keep=False, quiet=True)
                if await asyncio.wrap_future(work):
                    thinner.took(batch)
            except LogError as e:
                log.warning("thinning ended early: %s", e)
                return False
        return False


async def _roomy(db: Log) -> bool:
    return (await asyncio.to_thread(sizes, db)).free_inside >= ENOUGH_BYTES
