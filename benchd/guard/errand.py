"""Work in a thread of its own that must be done even where no thread can be had.

`threading.Thread.start` waits for the new thread to say that it runs; one that dies of want of memory before that never
does, and the caller waits for ever (CPython 3.11). So the thread is started without waiting, and who sees that it has
not begun does the work himself.
"""

from __future__ import annotations

import _thread
import contextlib
import threading
import traceback
from collections.abc import Callable

from benchd.guard.priority import go_ahead


class Errand:
    """Something to do once, here or in a thread."""

    def __init__(self, work: Callable[[], None]) -> None:
        self._work = work
        self._claim = threading.Lock()
        self.done = threading.Event()

    @property
    def begun(self) -> bool:
        """Whether somebody has begun it."""
        return self._claim.locked()

    def start(self) -> None:
        """Have a thread do it, if there is one to be had. Returns at once."""
        with contextlib.suppress(RuntimeError, MemoryError):
            _thread.start_new_thread(self._run_ahead, ())

    def _run_ahead(self) -> None:
        go_ahead()  # of this thread alone: on a busy machine it would come to nothing in time
        self.run()

    def run(self) -> None:
        """Do it here, unless somebody has begun it."""
        if self._claim.acquire(blocking=False):
            try:
                self._work()
            except Exception:  # whoever waits has nothing to do about it
                traceback.print_exc()
            finally:
                self.done.set()
