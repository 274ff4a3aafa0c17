"""A copy of the log once a day, into a folder that the settings name, while nothing is on."""

from __future__ import annotations

import asyncio
import logging
import threading
from collections.abc import Awaitable, Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

from benchd.daemon.core import Core
from benchd.store import backup as copies
from benchd.store.errors import LogError

log = logging.getLogger("benchd")

LOOK_S = 10.0
EACH = timedelta(days=1)
AGAIN = timedelta(minutes=10)
"""After a copy that failed."""


def utc_now() -> datetime:
    """Of the machine's clock."""
    return datetime.now(UTC)


class _NotNowError(Exception):
    """An output went on, or the daemon ends."""


class DailyBackup:
    """Lives in the event loop; the copying is in a thread. `clock`: the time, with its zone."""

    def __init__(self, core: Core, clock: Callable[[], datetime] = utc_now) -> None:
        self._core = core
        self._clock = clock
        wish = core.settings.log
        self._folder = Path(wish.backup_dir).expanduser() if wish.backup_dir else None
        self._kept = wish.backups_kept
        self._began = clock()
        self._last: datetime | None = None
        self._tried: datetime | None = None
        self._ended = threading.Event()

    async def keep(self, sleep: Callable[[float], Awaitable[object]] = asyncio.sleep) -> None:
        """Until cancelled."""
        try:
            while self._folder is not None:
                await self.look()
                await sleep(LOOK_S)
        finally:
            self._ended.set()  # a thread cannot be cancelled: it looks at this

    async def look(self) -> None:
        """Make a copy if one is due; one that fails is told until one succeeds."""
        if self._folder is None or not await asyncio.to_thread(self._due):
            return
        now = self._clock()
        self._tried = now
        try:
            copy, size = await asyncio.to_thread(self._copy, self._folder, now)
        except _NotNowError:
            self._tried = None
        except (LogError, OSError) as e:
            if self._ended.is_set():
                return
            told = f"the daily copy of the log failed, the next try is in {AGAIN.seconds // 60} minutes: {e}"
            if self._core.alarms.standing.get("backup") != told:
                log.error("%s", told)
            self._core.alarms.standing["backup"] = told
        else:
            self._last = now
            self._core.alarms.standing.pop("backup", None)
            text = f"the log was copied to {copy}"
            log.info("%s", text)
            entry = {"text": text, "bytes": size}
            self._core.writer.submit(lambda db: db.add_entry("backup", payload=entry))

    def _due(self) -> bool:
        now = self._clock()
        if self._tried is not None and timedelta() <= now - self._tried < AGAIN and self._last != self._tried:
            return False
        due = self._newest(now)
        due = self._began if due is None else due + EACH
        return now >= due and (self._core.idle or now >= due + EACH)

    def _newest(self, now: datetime) -> datetime | None:
        """When the last copy was made; one of a time to come says nothing, as the clock was wrong then."""
        made = [] if self._last is None else [self._last]
        try:
            assert self._folder is not None
            own = copies.log_id(Path(self._core.writer.path))
            made += [copies.made_at(path) for path in copies.copies_in(self._folder, own)]
        except (LogError, OSError):
            pass  # the copying itself says what is wrong
        return max((each for each in made if each <= now), default=None)

    def _copy(self, folder: Path, now: datetime) -> tuple[Path, int]:
        late = not self._core.idle  # overdue: made all the same

        def go_on(share: float) -> None:
            if self._ended.is_set() or not (late or self._core.idle):
                raise _NotNowError

        path = Path(self._core.writer.path)
        if not folder.is_dir():
            raise LogError(f"{folder}: there is no such folder: make it, or mount its disk (log.backup_dir)")
        try:
            copy = copies.backup(path, folder, now, go_on)
        except LogError:
            go_on(1.0)  # it was told to end while SQLite looked at the copy
            raise
        size = copy.stat().st_size
        copies.keep_newest(folder, copies.log_id(path), self._kept)
        return copy, size
