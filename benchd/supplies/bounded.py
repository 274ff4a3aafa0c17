"""An upper bound around calls into a library that may hang: they run in a thread of their own.

A call that is not back in time is left behind together with its thread, and never waited for again. Where the
descriptors under the call are known, a hang-up of the other side ends the wait at once.
"""

from __future__ import annotations

import contextlib
import os
import select
import socket
import sys
import threading
import time
from collections.abc import Callable, Iterable
from typing import TypeVar

T = TypeVar("T")

GRACE_S = 0.05
"""The other side hung up while a call was running: the last reply may still be on its way through the library, s."""


class Overdue(Exception):
    """The call has not come back in time, and nothing is known of what it did."""


class HungUp(Exception):
    """The other side closed the connection while the call was running."""


class Bounded:
    """Runs calls one after another in one thread, for one caller. After Overdue or HungUp only `end` is allowed.

    The threads end with the process, so one that hangs for ever does not keep the process alive.
    """

    def __init__(self, name: str) -> None:
        self._action: Callable[[], object] = _nothing
        self._last: Callable[[], object] = _nothing
        self._result: object = None
        self._error: BaseException | None = None
        self._ending = False
        # A bare lock to wake the thread, and a descriptor to wake the caller, who also waits for hang-ups.
        self._go = threading.Lock()
        self._go.acquire()
        self._done = os.eventfd(0, os.EFD_CLOEXEC | os.EFD_NONBLOCK)
        self._events = select.poll()
        self._events.register(self._done, select.POLLIN)
        self._thread = threading.Thread(target=self._work, name=name, daemon=True)
        self._thread.start()

    def watch(self, descriptors: Iterable[int]) -> None:
        """Raise HungUp from now on when the other side of one of these closes during a call."""
        for descriptor in descriptors:
            self._events.register(descriptor, select.POLLRDHUP)

    def call(self, action: Callable[[], T], limit_s: float) -> T:
        """What `action` returns or raises; Overdue after `limit_s`, HungUp on a hang-up."""
        self._action = action
        self._go.release()
        ends = time.monotonic() + limit_s
        while (left_s := ends - time.monotonic()) > 0:
            events = self._events.poll(left_s * 1e3)
            if any(descriptor == self._done for descriptor, _ in events):
                return self._finished()  # type: ignore[return-value]
            if events:
                only = select.poll()
                only.register(self._done, select.POLLIN)
                if only.poll(min(GRACE_S, left_s) * 1e3):
                    return self._finished()  # type: ignore[return-value]
                raise HungUp("the other side closed the connection")
        raise Overdue(f"the VISA library has not come back after {limit_s:.2f} s")

    def cut(self, package: str) -> None:
        """Close the sockets that functions of `package` in the hanging call are using, so that it comes to an end.

        The only way to get at a socket that the library has not handed out yet, as while opening. A thread that is
        left alone may spin on such a socket for seconds, which every other thread would feel.
        """
        frame = sys._current_frames().get(self._thread.ident or 0)
        while frame is not None:
            if str(frame.f_globals.get("__name__")).startswith(package):
                for value in list(frame.f_locals.values()):
                    for each in (value, *getattr(value, "__dict__", {}).values()):
                        if isinstance(each, socket.socket):
                            close_hard(each)
            frame = frame.f_back

    def end(self, last: Callable[[], object]) -> None:
        """No more calls: run `last` after the one that may still be running, and end. Does not wait."""
        self._last = last
        self._ending = True
        self._go.release()

    def _finished(self) -> object:
        os.eventfd_read(self._done)
        result, error = self._result, self._error
        self._result = self._error = None
        if error is not None:
            raise error
        return result

    def _work(self) -> None:
        while True:
            self._go.acquire()
            if self._ending:
                break
            try:
                self._result = self._action()
            except BaseException as error:
                self._error = error
            os.eventfd_write(self._done, 1)
        try:
            self._last()
        finally:
            os.close(self._done)


def close_hard(connection: socket.socket) -> None:
    """Close a socket that another thread may be waiting on, and wake it."""
    with contextlib.suppress(OSError):
        connection.shutdown(socket.SHUT_RDWR)
    connection.close()


def _nothing() -> None:
    """No action yet."""
