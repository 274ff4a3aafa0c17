"""Where a follower stands in the log."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from typing import Protocol, TypeVar

from benchd.store.errors import LogDown
from benchd.store.follower_rows import Rejected
from benchd.store.log import Log

T = TypeVar("T")


class Writer(Protocol):
    """The part of `LogWriter` that followers use."""

    def submit(self, work: Callable[[Log], T], *, keep: bool = True, quiet: bool = False) -> Future[T]: ...

    def on_commit(self, listener: Callable[[], None]) -> Callable[[], None]: ...


class Place:
    """The cursor, how much of it is stored, and what was refused on the way. Both are stored in one transaction."""

    def __init__(self, name: str, writer: Writer, cursor: int, stored_rejected: int) -> None:
        self._name, self._writer = name, writer
        self.cursor = cursor
        """Seq of the last row that was accepted or refused."""
        self.settled = cursor
        """As far as nothing will be sent again; never above the cursor."""
        self.last_reason = ""
        self._changing = threading.Lock()
        """Of what was refused: the log's writer hands back what it could not store."""
        self._stored_rejected = stored_rejected
        self._pending: list[Rejected] = []

    @classmethod
    def taken(cls, name: str, log: Log, writer: Writer, start: int) -> Place:
        """As the log has it; a new follower begins after `start`. Blocking. Raises LogError."""
        stored = log.followers.cursor(name)
        if stored is None:
            stored = start
            writer.submit(lambda db: db.followers.advance(name, start), keep=False, quiet=True).result()
        return cls(name, writer, stored, log.followers.rejected_count(name))

    @property
    def rejected(self) -> int:
        """How many items were ever refused."""
        return self._stored_rejected + len(self._pending)

    def move(self, seq: int, rejected: Sequence[Rejected] = ()) -> None:
        """All up to this seq is done with, these refused items among it."""
        self.cursor = max(self.cursor, seq)
        with self._changing:
            self._pending.extend(rejected)
        if rejected:
            self.last_reason = rejected[-1].reason

    def go_back(self) -> None:
        """What is not settled is sent again, and refused again where it was."""
        self.cursor = self.settled
        with self._changing:
            self._pending = [r for r in self._pending if r.seq <= self.settled]

    def keep(self, seq: int) -> Future[None] | None:
        """All up to here is settled: store it. None: it is stored, or being stored."""
        with self._changing:
            going = [r for r in self._pending if r.seq <= seq]
            if seq <= self.settled and not going:
                return None
            self.settled = max(self.settled, seq)
            self._pending = [r for r in self._pending if r.seq > seq]
            self._stored_rejected += len(going)
        future = self._writer.submit(
            lambda db: db.followers.advance(self._name, seq, going), keep=False, quiet=True
        )  # fmt: skip

        def check(done: Future[None]) -> None:
            if going and (done.cancelled() or done.exception() is not None):
                with self._changing:
                    self._stored_rejected -= len(going)
                    self._pending.extend(going)

        future.add_done_callback(check)
        return future

    async def kept(self, seq: int) -> None:
        """As `keep`, and wait for it. While the log is down the cursor here goes on; it is stored with the next."""
        future = self.keep(seq)
        if future is not None:
            try:
                await asyncio.wrap_future(future)
            except LogDown:  # the log says so itself
                return
