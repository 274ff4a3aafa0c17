"""The one thread that writes the log while the daemon runs.

Readings are taken without ever waiting, gathered, and committed ten times a second: a kill of the process loses at
most 250 ms of them. Everything else (trips, journal, jobs) is one short transaction each, committed at once. Every few
seconds the small rows of readings are joined to larger ones by a durable commit, so a power cut loses at most those
seconds; every two minutes those of the minutes before become as few as may be.

When the file cannot be written (disk full, read-only, error) nothing stops: health says `failing`, work is kept and
tried again with a growing delay, and recording goes on by itself once the file can be written. The room for waiting
readings is bounded: the oldest go first, and are counted. Events are not dropped to make room.
"""

from __future__ import annotations

import contextlib
import dataclasses
import logging
import threading
import time
from collections import deque
from collections.abc import Callable
from concurrent.futures import Future, InvalidStateError
from pathlib import Path
from typing import Any, Generic, Literal, TypeVar

from benchd.reading import Block
from benchd.store import blocks
from benchd.store.errors import LogDamaged, LogDown, LogError
from benchd.store.log import Log
from benchd.store.room import Room
from benchd.store.waiting import Key, Waiting, join_waiting, one_block

T = TypeVar("T")

log = logging.getLogger(__name__)

COMMIT_EVERY_S = 0.1
"""A kill loses at most 250 ms: so much between two commits, the rest for a commit or a sync of the disk on its way."""
JOIN_EVERY_S = 5.0
MAX_WAITING_BYTES = 32_000_000
"""Readings that wait for the disk: some 20 minutes of one channel at 1000 readings/s."""
MAX_WAITING_TASKS = 10_000
"""Events that wait for the disk. More would be days of a full disk; then `submit` fails at once, and counts."""
RETRY_S = (0.5, 10.0)
"""First and longest delay before the file is tried again."""
_READING_BYTES = 26


class LogHealth(dict[str, Any]):
    """state (ok, failing), text (why it fails, or that room gets short), waiting (readings not yet committed), tasks,
    dropped (readings), refused (events: no room to wait, or a damaged place), file_bytes and free_bytes (of the disk;
    None: not known)."""


@dataclasses.dataclass(slots=True)
class _Task(Generic[T]):
    work: Callable[[Log], T]
    future: Future[T]
    keep: bool
    quiet: bool
    bare: bool


class LogWriter:
    """Owns the writing connection. All methods may be called from any thread and return at once, but `close`."""

    def __init__(
        self,
        path: Path | str,
        *,
        max_waiting_bytes: int = MAX_WAITING_BYTES,
        commit_every_s: float = COMMIT_EVERY_S,
        join_every_s: float = JOIN_EVERY_S,
        retry_s: tuple[float, float] = RETRY_S,
        opener: Callable[[Path], Log] = Log.open,
    ) -> None:
        """Open the log and start the thread.

        Raises LogError when the file can never be used (newer version, not a log). A file that cannot be written now
        does not raise: the state is `failing`.
        """
        self.path = Path(path)
        self._open = opener
        self._max_bytes = max_waiting_bytes
        self._commit_every_s, self._join_every_s, self._retry_s = commit_every_s, join_every_s, retry_s
        self._wake = threading.Condition()
        # Under the lock:
        self._blocks: deque[Waiting] = deque()
        self._number = 0
        self._bytes = 0
        self._tasks: deque[_Task[Any]] = deque()
        self._dropped = self._refused = 0
        self._state: Literal["ok", "failing"] = "ok"
        self._text = self._damage = ""
        self._closing = False
        self._listeners: list[Callable[[], None]] = []
        # The thread's own:
        self._log: Log | None = None
        self._settle_at = 0.0
        self._more = False  # rows that wait to be joined
        self._delay_s = 0.0
        self._room = Room(self.path.absolute(), time.monotonic())
        try:
            self._log = opener(self.path)
        except LogDown as e:
            self._failed(e)
        self._thread = threading.Thread(target=self._run, name="log writer", daemon=True)
        self._thread.start()

    # ---- for callers ------------------------------------------------------------------------------------------

    def put_block(self, block: Block, job: str | None = None, trace: str | None = None) -> None:
        """Give readings to be committed within 250 ms. Never waits; when there is no room, the oldest are dropped.

        Raises ValueError when the block's columns are not of equal length.
        """
        n = len(block)
        if {len(block.t_ns), len(block.voltage_v), len(block.current_a)} != {8 * n} or len(block.flags) != n:
            raise ValueError(f"block of supply {block.supply} channel {block.channel}: columns of unequal length")
        if not n:
            return
        with self._wake:
            self._number += 1
            self._blocks.append((self._number, (block.supply, block.channel, job, trace), block))
            self._bytes += _READING_BYTES * len(block)
            while self._bytes > self._max_bytes and len(self._blocks) > 1:
                _, _, oldest = self._blocks.popleft()
                self._bytes -= _READING_BYTES * len(oldest)
                self._dropped += len(oldest)

    def waits(self, job: str) -> bool:
        """Whether readings of this job are not in the file yet."""
        with self._wake:
            return any(key[2] == job for _, key, _ in self._blocks)

    def submit(
        self, work: Callable[[Log], T], *, keep: bool = True, quiet: bool = False, bare: bool = False
    ) -> Future[T]:
        """Run `work(log)` as one transaction, at once. The future has its result, or the error it raised.

        `keep`: while the file cannot be written, wait and try again (for what must not be lost); without it the future
        fails with LogDown (for callers that wait for the answer). `quiet`: not made durable against a power cut and not
        told to listeners (for followers' cursors). `bare`: not in a transaction (for what makes its own, or takes the
        file as a whole). `work` may run more than once; a failed run leaves nothing behind, if it is not bare.
        """
        task = _Task(work, Future(), keep, quiet, bare)
        with self._wake:
            if self._closing:
                task.future.set_exception(LogDown(f"{self.path}: the log is closed"))
            elif len(self._tasks) >= MAX_WAITING_TASKS:
                self._refused += 1
                task.future.set_exception(LogDown(f"{self._text}; {MAX_WAITING_TASKS} events wait already"))
            else:
                self._tasks.append(task)
                self._wake.notify()
        return task.future

    def on_commit(self, listener: Callable[[], None]) -> Callable[[], None]:
        """Call `listener` (in the writer's thread; it must return at once) after each commit. Returns the undoing."""
        with self._wake:
            self._listeners.append(listener)

        def undo() -> None:
            with self._wake, contextlib.suppress(ValueError):
                self._listeners.remove(listener)

        return undo

    def health(self) -> LogHealth:
        """How the writing goes; see LogHealth."""
        alive = self._thread.is_alive()
        with self._wake:
            lost = self._room.lost
            return LogHealth(
                state=self._state if alive and not lost else "failing",
                text=self._text
                or (lost or self._damage or self._room.warning if alive else "the log's writing thread has ended"),
                waiting=self._bytes // _READING_BYTES,
                tasks=len(self._tasks),
                dropped=self._dropped,
                refused=self._refused,
                file_bytes=self._room.file_bytes,
                free_bytes=self._room.free_bytes,
            )

    def close(self) -> None:
        """Commit what waits and end the thread. What cannot be written now is lost, and said in the program's log."""
        with self._wake:
            self._closing = True
            self._wake.notify()
        self._thread.join()

    # ---- the thread -------------------------------------------------------------------------------------------

    def _run(self) -> None:
        now = time.monotonic()
        self._room.look(now)
        commit_at, join_at, retry_at = now + self._commit_every_s, now + self._join_every_s, now
        while True:
            with self._wake:
                due = min(commit_at, join_at) if self._state == "ok" else retry_at
                # While failing, kept work waits for the next try, but a caller that waits is answered at once.
                while not self._closing and time.monotonic() < due and not self._has_work():
                    self._wake.wait(due - time.monotonic())
                closing, failing = self._closing, self._state == "failing"
            now = time.monotonic()
            trying = closing or not failing or now >= retry_at
            try:
                ok = self._do_tasks(trying, commit_at if not (closing or failing) else None)
                if trying and ok and (closing or failing or now >= commit_at):
                    ok, commit_at = self._commit_blocks(), now + self._commit_every_s
                if trying and ok and (closing or now >= join_at):
                    ok = self._join()
                    join_at = now + (0.0 if self._more else self._join_every_s)
                    self._room.look(now)
            except Exception as e:  # a mistake of ours must not end the recording for good
                log.exception("the log's writing thread failed")
                self._failed(LogError(f"{self.path}: {type(e).__name__}: {e}"))
                ok = False
            if trying and not ok:
                self._join_waiting()
                self._room.look(now)
                retry_at = time.monotonic() + self._delay_s
            if closing:
                self._end()
                return

    def _has_work(self) -> bool:
        return any(self._state == "ok" or not t.keep for t in self._tasks)

    def _do_tasks(self, trying: bool, until_s: float | None) -> bool:
        """Run waiting tasks in order; False when the file failed. Not `trying`: only those that must not wait.

        Past `until_s` (monotonic) and the first of them the rest stays for later: readings must not wait behind many
        events, each of which waits for the disk; nor events behind readings.
        """
        ok, done = True, 0
        kept: list[_Task[Any]] = []
        while True:
            with self._wake:
                late = until_s is not None and time.monotonic() >= until_s and done > 0
                if not self._tasks or (late and ok):
                    self._tasks.extendleft(reversed(kept))
                    return ok
                task = self._tasks.popleft()
            done += 1
            if task.keep and not (trying and ok):
                kept.append(task)
                continue
            if not task.keep and not ok:
                _refuse(task.future, LogDown(self._text))
            elif not self._do(task):
                ok = False
                if task.keep:
                    kept.append(task)

    def _do(self, task: _Task[Any]) -> bool:
        if task.future.cancelled():
            return True
        try:
            db = self._opened()
            with contextlib.nullcontext() if task.bare else db.transaction(durable=not task.quiet):
                result = task.work(db)
        except LogDown as e:
            self._failed(e)
            if not task.keep:
                _refuse(task.future, e)
            return False
        except Exception as e:  # whatever the caller's work raises is the caller's to see
            if isinstance(e, LogDamaged):  # and the operator's: it is not in the log, and never will be
                with self._wake:
                    self._damage, self._refused = str(e), self._refused + task.keep
            _refuse(task.future, e)
            return True
        self._worked(quiet=task.quiet)
        with contextlib.suppress(InvalidStateError):  # cancelled meanwhile
            task.future.set_result(result)
        return True

    def _commit_blocks(self) -> bool:
        with self._wake:
            taken = list(self._blocks)
        if not taken:
            return self._state == "ok" or self._probe()
        groups: dict[Key, list[Block]] = {}
        for _, key, block in taken:
            groups.setdefault(key, []).append(block)
        try:
            db = self._opened()
            with db.transaction(durable=False):
                for (_, _, job, trace), parts in groups.items():
                    db.add_block(one_block(parts), job, trace)
        except LogError as e:
            self._failed(e)
            return False
        self._room.took(sum(len(block) for _, _, block in taken))
        with self._wake:
            # What was dropped for want of room while it was being stored is not lost after all.
            oldest = self._blocks[0][0] if self._blocks else self._number + 1
            self._dropped -= sum(len(block) for number, _, block in taken if number < oldest)
            while self._blocks and self._blocks[0][0] <= taken[-1][0]:
                self._bytes -= _READING_BYTES * len(self._blocks.popleft()[2])
        self._worked()
        return True

    def _join_waiting(self) -> None:
        """Join small blocks that have to wait: an outage of hours is thousands of them."""
        with self._wake:
            taken = list(self._blocks)
        joined = join_waiting(taken)
        with self._wake:
            if taken and self._blocks[0][0] == taken[0][0]:  # else some were dropped just now: next time
                for _ in taken:
                    self._blocks.popleft()
                self._blocks.extendleft(reversed(joined))

    def _probe(self) -> bool:
        """After a failure with nothing left to write: can the file be written again?"""
        try:
            with self._opened().transaction(durable=False) as db:
                db.execute("INSERT OR REPLACE INTO bench VALUES ('written', ?)", (str(time.time_ns()),))
        except LogError as e:
            self._failed(e)
            return False
        self._worked(quiet=True)
        return True

    def _join(self) -> bool:
        try:
            db, now = self._opened(), time.monotonic()
            with db.transaction() as connection:
                self._more = blocks.join(connection)
            if now >= self._settle_at and not self._more:
                with db.transaction(durable=False) as connection:
                    more = blocks.settle(connection)
                self._settle_at = now + (0 if more else blocks.SETTLE_EVERY_S)
        except LogError as e:
            self._failed(e)
            return False
        return True

    def _opened(self) -> Log:
        if self._log is None:
            self._log = self._open(self.path)
        return self._log

    def _failed(self, error: LogError) -> None:
        with self._wake:
            first = self._state == "ok"
            self._state, self._text = "failing", str(error)
        self._delay_s = min(max(self._delay_s * 2, self._retry_s[0]), self._retry_s[1])
        if first:
            log.error("the log cannot be written, readings and events wait: %s", error)
        # The next try opens the file afresh: it may have been replaced, or its disk mounted again.
        if self._log is not None:
            with contextlib.suppress(Exception):
                self._log.close()
            self._log = None

    def _worked(self, quiet: bool = False) -> None:
        with self._wake:
            recovered = self._state == "failing"
            self._state, self._text = "ok", ""
            dropped = self._dropped
            listeners = [] if quiet else list(self._listeners)
        self._delay_s = 0.0
        if recovered:
            log.warning("the log is written again; %d readings were dropped for want of room", dropped)
        for listener in listeners:
            try:
                listener()
            except Exception:  # a listener must not end the writing
                log.exception("a listener of the log failed")

    def _end(self) -> None:
        with self._wake:
            lost = list(self._tasks)
            self._tasks.clear()
            waiting = self._bytes // _READING_BYTES
        for task in lost:
            _refuse(task.future, LogDown(f"{self._text}; the daemon ended before it could be written"))
        if lost or waiting:
            log.error("the log was closed without %d events and %d readings: %s", len(lost), waiting, self._text)
        if self._log is not None:
            self._log.close()


def _refuse(future: Future[Any], error: Exception) -> None:
    with contextlib.suppress(InvalidStateError):  # whoever asked has gone
        future.set_exception(error)
