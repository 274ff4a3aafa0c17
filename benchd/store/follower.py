"""What every follower does: read on from its cursor, deliver, advance; wait and try again when the server is away.

Every item ends in one of three ways: accepted by the server; rejected for good (set aside in the log and counted,
never sent again); or kept, and sent again later. The cursor moves over accepted and rejected items only, so an outage
of any length loses nothing. What is sent twice (the cursor could not be stored, a time-out after the server had
already taken it) must be harmless: same time and tags, or an event id that the consumer knows.
"""

from __future__ import annotations

import asyncio
import dataclasses
import logging
import random
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from concurrent.futures import Future
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any, Generic, Literal, Protocol, TypeVar

from benchd.store.errors import LogDown, LogError
from benchd.store.follower_rows import Rejected
from benchd.store.log import Log

T = TypeVar("T")
Item = TypeVar("Item", bound="Numbered")

log = logging.getLogger(__name__)

FIRST_DELAY_S = 1.0
LONGEST_DELAY_S = 60.0
LONGEST_ASKED_S = 300.0
"""A server's Retry-After is followed up to here; a longer one is more likely a mistake than a plan."""


class Numbered(Protocol):
    """A row of the log; `seq` is what the cursor counts."""

    @property
    def seq(self) -> int: ...


class Kept(Exception):
    """The server did not take the batch and may take it later; `retry_after_s`: not before, as the server asked."""

    def __init__(self, text: str, retry_after_s: float = 0.0) -> None:
        super().__init__(text)
        self.text = text
        self.retry_after_s = retry_after_s


class Writer(Protocol):
    """The part of `LogWriter` that followers use."""

    def submit(self, work: Callable[[Log], T], *, keep: bool = True, quiet: bool = False) -> Future[T]: ...

    def on_commit(self, listener: Callable[[], None]) -> Callable[[], None]: ...


@dataclasses.dataclass(frozen=True)
class Stream(Generic[Item]):
    """What a follower reads. `start_at_end`: a follower that is new to a log begins with what comes next."""

    read: Callable[[Log, int], Sequence[Item]]
    """(log, after seq) → the next items, oldest first, empty at the end."""
    head: Callable[[Log], int]
    """The highest seq there is; 0 for none."""
    start_at_end: bool = False


@dataclasses.dataclass
class Backoff:
    """Growing, capped, jittered delays."""

    first_s: float = FIRST_DELAY_S
    longest_s: float = LONGEST_DELAY_S
    random: Callable[[], float] = random.random
    _failures: int = 0

    def next_s(self, asked_s: float = 0.0) -> float:
        """The delay after one more failure: the longer of ours and what the server asked for, plus up to a quarter.

        The jitter only lengthens, so a server is never asked again before the time it named.
        """
        ours = min(self.longest_s, self.first_s * 2.0 ** min(self._failures, 30))
        self._failures += 1
        return max(ours, min(asked_s, LONGEST_ASKED_S)) * (1.0 + self.random() / 4.0)

    def reset(self) -> None:
        """After a success."""
        self._failures = 0


class Wake:
    """Lets a coroutine wait for the next commit of the log."""

    def __init__(self) -> None:
        self._event = asyncio.Event()

    @asynccontextmanager
    async def listening(self, writer: Writer) -> AsyncIterator[None]:
        """Inside, commits wake whoever waits."""
        loop = asyncio.get_running_loop()

        def tell() -> None:
            if not loop.is_closed():
                loop.call_soon_threadsafe(self._event.set)

        undo = writer.on_commit(tell)
        try:
            yield
        finally:
            undo()

    def clear(self) -> None:
        """From now on; call before looking for new rows, so that none falls between looking and waiting."""
        self._event.clear()

    async def wait(self) -> None:
        """Until a commit after the last `clear`."""
        await self._event.wait()


class Follower(Generic[Item]):
    """Carries one stream of the log to one server. `run` until cancelled."""

    def __init__(
        self,
        name: str,
        path: Path | str,
        writer: Writer,
        stream: Stream[Item],
        deliver: Callable[[Sequence[Item]], Awaitable[list[Rejected]]],
        *,
        sleep: Callable[[float], Awaitable[object]] = asyncio.sleep,
        backoff: Backoff | None = None,
    ) -> None:
        """`deliver` sends a batch whole and returns what was rejected for good, or raises Kept.

        Any other exception of `deliver` ends `run` with the cursor unmoved.
        """
        self.name = name
        self._path, self._writer, self._stream, self._deliver = Path(path), writer, stream, deliver
        self._sleep, self._backoff = sleep, backoff or Backoff()
        self._log: Log | None = None
        self._cursor: int | None = None
        self._unstored: list[Rejected] = []
        self._head = 0
        self._rejected = 0
        self._last_rejected = ""
        self._state: Literal["ok", "waiting", "stopped"] = "stopped"
        self._text = "not started"
        self._last_ok_ns: int | None = None

    def health(self) -> dict[str, Any]:
        """state (ok, waiting, stopped), text, backlog, rejected, last_ok_ns.

        `backlog` counts rows of the log still to be sent (an upper bound: joined rows leave gaps in the numbers).
        """
        text = self._text
        if not text and self._rejected:
            text = f"{self._rejected} items were refused for good; the last: {self._last_rejected}"
        return {
            "state": self._state,
            "text": text,
            "backlog": max(0, self._head - (self._cursor or 0)) if self._cursor is not None else self._head,
            "rejected": self._rejected,
            "last_ok_ns": self._last_ok_ns,
        }

    async def run(self) -> None:
        """Follow the log until cancelled."""
        wake = Wake()
        self._state, self._text = "ok", ""
        try:
            async with wake.listening(self._writer):
                while True:
                    wake.clear()
                    try:
                        more = await self._step()
                    except (Kept, LogError) as e:
                        await self._wait(e)
                    else:
                        if not more:
                            await wake.wait()
        finally:
            self._state, self._text = "stopped", "not running"
            self.close()

    def close(self) -> None:
        """Close the reading connection that `look` may have opened; `run` does so itself."""
        if self._log is not None:
            self._log.close()
            self._log = None

    async def _step(self) -> bool:
        """Deliver the next batch; False when there is none."""
        batch = await asyncio.to_thread(self._next)
        if not batch:
            self._is_ok()
            return False
        rejected = await self._deliver(batch)
        if rejected:
            log.warning("%s: %d items refused for good, first: %s", self.name, len(rejected), rejected[0].reason)
            self._rejected += len(rejected)
            self._last_rejected = rejected[-1].reason
        self._cursor = batch[-1].seq
        self._unstored.extend(rejected)
        await self._store_cursor()
        self._is_ok()
        self._last_ok_ns = time.time_ns()
        return True

    async def look(self) -> None:
        """Bring `backlog` up to date without sending anything; a new follower takes its place in the log."""
        await asyncio.to_thread(self._place)

    def _next(self) -> Sequence[Item]:
        log, cursor = self._place()
        return self._stream.read(log, cursor)

    def _place(self) -> tuple[Log, int]:
        if self._log is None:
            self._log = Log.open(self._path, read_only=True)
        self._head = self._stream.head(self._log)
        if self._cursor is None:
            stored = self._log.followers.cursor(self.name)
            if stored is None:
                stored = self._head if self._stream.start_at_end else 0
                self._advance(stored, ()).result()
            self._cursor = stored
            self._rejected = self._log.followers.rejected_count(self.name)
        return self._log, self._cursor

    def _advance(self, cursor: int, rejected: Sequence[Rejected]) -> Future[None]:
        return self._writer.submit(lambda db: db.followers.advance(self.name, cursor, rejected), keep=False, quiet=True)

    async def _store_cursor(self) -> None:
        cursor, rejected = self._cursor, tuple(self._unstored)
        assert cursor is not None
        try:
            await asyncio.wrap_future(self._advance(cursor, rejected))
        except LogDown:
            # The log says so itself. The cursor here goes on; it is stored with the next batch.
            return
        del self._unstored[: len(rejected)]

    async def _wait(self, error: Kept | LogError) -> None:
        asked_s = error.retry_after_s if isinstance(error, Kept) else 0.0
        delay_s = self._backoff.next_s(asked_s)
        text = str(error)
        if self._state == "ok":
            log.warning("%s: waiting, nothing is lost: %s", self.name, text)
        self._state, self._text = "waiting", text
        await self._sleep(delay_s)

    def _is_ok(self) -> None:
        if self._state == "waiting":
            log.info("%s: going on", self.name)
        self._state, self._text = "ok", ""
        self._backoff.reset()
