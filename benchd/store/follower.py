"""What every follower does: read on from its cursor, deliver, advance; wait and try again when the server is away.

Every item ends in one of three ways: accepted by the server; rejected for good (set aside in the log and counted,
never sent again); or kept, and sent again later. The cursor moves over accepted and rejected items only, so an outage
of any length loses nothing. What is sent twice (the cursor could not be stored, a time-out after the server had
already taken it, a server that lost what it took last: see `settling`) must be harmless: same time and tags, or an
event id that the consumer knows.

The next batch is read while one is being delivered.
"""

from __future__ import annotations

import asyncio
import contextlib
import dataclasses
import logging
import random
import threading
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any, Generic, Literal, Protocol, TypeVar

from benchd.store.errors import LogError
from benchd.store.follower_rows import Rejected
from benchd.store.log import Log
from benchd.store.place import Place, Writer
from benchd.store.settling import Settling

__all__ = ["Backoff", "Follower", "Gather", "Kept", "Stream", "Writer"]

T = TypeVar("T")
Item = TypeVar("Item", bound="Numbered")

log = logging.getLogger(__name__)

FIRST_DELAY_S = 1.0
LONGEST_DELAY_S = 60.0
COUNT_EVERY_S = 5.0
GATHER_EVERY_S = 0.25
"""Looked less often than the log commits: a thread is asked each time."""
GOODBYE_S = 2.0
"""How long an end may wait for the server."""
LONGEST_ASKED_S = 300.0
"""A server's Retry-After is followed up to here; a longer one is more likely a mistake than a plan."""


class Numbered(Protocol):
    """A row of the log; `seq` is what the cursor counts."""

    @property
    def seq(self) -> int: ...


class Kept(Exception):
    """The server did not take the batch and may take it later; `retry_after_s`: not before, as the server asked.

    `away`: it did not answer at all, or only something in between did; it may have been restarted.
    """

    def __init__(self, text: str, retry_after_s: float = 0.0, *, away: bool = False) -> None:
        super().__init__(text)
        self.text = text
        self.retry_after_s = retry_after_s
        self.away = away


@dataclasses.dataclass(frozen=True)
class Gather:
    """Wait for a fuller batch."""

    enough: Callable[[Log, int], bool]
    """(log, after seq): is there enough for one request?"""
    age_s: float
    """What is there waits no longer than this for more, s."""


@dataclasses.dataclass(frozen=True)
class Stream(Generic[Item]):
    """What a follower reads. `start_at_end`: a follower that is new to a log begins with what comes next."""

    read: Callable[[Log, int], Sequence[Item]]
    """(log, after seq) → the next items, oldest first, empty at the end."""
    head: Callable[[Log], int]
    """The highest seq there is; 0 for none."""
    start_at_end: bool = False
    oldest: Callable[[Log, int], int | None] | None = None
    """(log, after seq) → when the next item happened, ns since the epoch; None: there is none."""
    gather: Gather | None = None


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

    async def wait(self, within_s: float | None = None) -> None:
        """Until a commit after the last `clear`, or for so long."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(within_s):
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
        settling: Settling | None = None,
    ) -> None:
        """`deliver` sends a batch whole and returns what was rejected for good, or raises Kept. It may tell by
        `accepted` how far it has come.

        Any other exception of `deliver` ends `run`, with the cursor at what was accepted.
        `settling`: the server may lose what it took last; see there.
        """
        self.name = name
        self._path, self._writer, self._stream, self._deliver = Path(path), writer, stream, deliver
        self._sleep, self._backoff, self._settling = sleep, backoff or Backoff(), settling
        self._looking = threading.Lock()
        """A look that was given up goes on in its thread, beside the next."""
        self._log: Log | None = None
        self._place: Place | None = None
        self._ahead: asyncio.Task[Sequence[Item]] | None = None
        self._head = 0
        self._oldest_ns: int | None = None
        self._state: Literal["ok", "waiting", "stopped"] = "stopped"
        self._text = "not started"
        self._last_ok_ns: int | None = None

    def health(self) -> dict[str, Any]:
        """state (ok, waiting, stopped), text, backlog, lag_s, rejected, last_ok_ns.

        `backlog` counts rows of the log still to be sent (an upper bound: joined rows leave gaps in the numbers);
        `lag_s` is the age of the oldest of them, s; None: none waits, or it is not known.
        """
        text, place = self._text, self._place
        rejected = place.rejected if place is not None else 0
        if not text and place is not None and rejected:
            items = "1 item was" if rejected == 1 else f"{rejected} items were"
            text = f"{items} refused for good" + (f"; the last: {place.last_reason}" if place.last_reason else "")
        backlog = max(0, self._head - place.cursor) if place is not None else self._head
        oldest_ns = self._oldest_ns if backlog else None
        return {
            "state": self._state,
            "text": text,
            "backlog": backlog,
            "lag_s": None if oldest_ns is None else round(max(0.0, (time.time_ns() - oldest_ns) / 1e9), 3),
            "rejected": rejected,
            "last_ok_ns": self._last_ok_ns,
        }

    def accepted(self, seq: int, rejected: Sequence[Rejected] = ()) -> None:
        """For `deliver`, from any thread: all items up to this one are done with, these refused ones among them."""
        if self._place is not None:
            self._place.move(seq, rejected)

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
                            await wake.wait(self._settling.due_in_s if self._settling is not None else None)
        finally:
            await self._end()

    def close(self) -> None:
        """Close the reading connection that `look` may have opened; `run` does so itself."""
        self._drop_ahead()
        if self._log is not None:
            self._log.close()
            self._log = None

    async def _end(self) -> None:
        state, self._state, self._text = self._state, "stopped", "not running"
        try:
            if self._place is not None and self._settling is not None and state == "ok":
                # A server that is still there has time to write all down.
                with contextlib.suppress(Kept, TimeoutError):
                    async with asyncio.timeout(GOODBYE_S):
                        if await self._settling.lost_nothing(sure=True):
                            self._place.keep(self._place.cursor)
        finally:
            self.close()

    async def _step(self) -> bool:
        """Deliver the next batch; False when there is none."""
        batch = await self._next()
        assert self._place is not None
        if batch and self._stream.gather is not None and await self._gathered(self._stream.gather, batch[0].seq - 1):
            batch = await self._next()
        if self._settling is not None and not await self._settle(self._settling, bool(batch)):
            return True
        if not batch:
            self._is_ok()
            return False
        if self._head > batch[-1].seq:
            self._ahead = asyncio.create_task(asyncio.to_thread(self._read, batch[-1].seq), name=f"{self.name} ahead")
        try:
            rejected = await self._deliver(batch)
        except BaseException:
            self._drop_ahead()
            if self._settling is None:
                self._place.keep(self._place.cursor)
            raise
        if rejected:
            log.warning("%s: %d items refused for good, first: %s", self.name, len(rejected), rejected[0].reason)
        self._place.move(batch[-1].seq, rejected)
        if self._settling is None:
            await self._place.kept(self._place.cursor)
        else:
            self._settling.took(self._place.cursor)
        self._is_ok()
        self._last_ok_ns = time.time_ns()
        return True

    async def _settle(self, settling: Settling, sending: bool) -> bool:
        """Store the cursor as far as the server has settled; False: it may have lost what came after, so go back."""
        assert self._place is not None
        due_s = settling.due_in_s
        if due_s is not None and due_s <= 0.0:
            seq = await settling.settled(self._place.cursor)
            if seq is not None:
                await self._place.kept(seq)
                return True
        elif not sending or await settling.lost_nothing():
            return True
        if self._place.cursor > self._place.settled:
            log.info("%s: the server was restarted; what it took last is sent again", self.name)
        self._drop_ahead()
        self._place.go_back()
        return False

    async def _gathered(self, gather: Gather, after: int) -> bool:
        """Wait until there is enough for one request, or the first item has waited long enough.

        False: there was enough at once."""
        clock = asyncio.get_running_loop().time
        until = clock() + gather.age_s
        waited = False
        while (left_s := until - clock()) > 0.0 and not await asyncio.to_thread(self._asked, gather.enough, after):
            await asyncio.sleep(min(left_s, GATHER_EVERY_S))
            waited = True
        return waited

    async def look(self) -> None:
        """Bring `backlog` up to date without sending anything; a new follower takes its place in the log."""
        await asyncio.to_thread(self._look)

    async def _next(self) -> Sequence[Item]:
        ahead, self._ahead = self._ahead, None
        batch = await ahead if ahead is not None else ()
        return await asyncio.to_thread(self._look_and_read, batch)

    def _look_and_read(self, batch: Sequence[Item]) -> Sequence[Item]:
        place = self._look()
        return batch or self._read(place.cursor)

    def _read(self, after: int) -> Sequence[Item]:
        return self._asked(self._stream.read, after)

    def _asked(self, question: Callable[[Log, int], T], after: int) -> T:
        assert self._log is not None
        return question(self._log, after)

    def _drop_ahead(self) -> None:
        if self._ahead is not None:
            self._ahead.cancel()
            self._ahead = None

    def _look(self) -> Place:
        with self._looking:
            if self._log is None:
                self._log = Log.open(self._path, read_only=True)
            self._head = self._stream.head(self._log)
            if self._place is None:
                self._place = Place.taken(
                    self.name, self._log, self._writer, self._head if self._stream.start_at_end else 0
                )
            if self._stream.oldest is not None:
                self._oldest_ns = self._stream.oldest(self._log, self._place.cursor)
            return self._place

    async def _wait(self, error: Kept | LogError) -> None:
        asked_s = error.retry_after_s if isinstance(error, Kept) else 0.0
        if isinstance(error, Kept) and error.away and self._settling is not None:
            self._settling.server.was_away()
        if isinstance(error, LogError):
            self.close()  # opened afresh at the next try: the file may have been replaced, or its disk mounted again
        delay_s = self._backoff.next_s(asked_s)
        text = str(error)
        if self._state == "ok":
            log.warning("%s: waiting, nothing is lost: %s", self.name, text)
        self._state, self._text = "waiting", text
        counting = asyncio.create_task(self._count(), name=f"{self.name} backlog")
        try:
            await self._sleep(delay_s)
        finally:
            counting.cancel()

    async def _count(self) -> None:
        """While it waits, what is still to be sent grows."""
        while True:
            await asyncio.sleep(COUNT_EVERY_S)
            with contextlib.suppress(LogError):
                await self.look()

    def _is_ok(self) -> None:
        if self._state == "waiting":
            log.warning("%s: sends again", self.name)  # whoever read that it waits is given the all-clear
        self._state, self._text = "ok", ""
        self._backoff.reset()
