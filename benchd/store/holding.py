"""A log's folder belongs to one process at a time: the daemon, or a command that puts another file in the log's place.

What only reads, or writes single transactions, needs no hold: SQLite sees to that.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
from collections.abc import Iterator
from pathlib import Path

from benchd.store.errors import LogError

LOCK = "daemon.lock"
LOG_FILE = "benchd.sqlite"
"""The log in its folder."""


class FolderHeld(LogError):
    """Another process has the folder. `holder`: what it wrote of itself."""

    def __init__(self, folder: Path, holder: str) -> None:
        super().__init__(f"{folder}: in use by the daemon or another command ({holder}); end it first")
        self.holder = holder


@contextlib.contextmanager
def held(folder: Path) -> Iterator[None]:
    """Hold the folder of a log; it is made when it is not there. The hold ends with the process, however that ends.

    A disk that is full or read-only does not matter. Raises FolderHeld when another process has it, OSError when there
    can be no such folder.
    """
    descriptor = _opened(folder)
    try:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise FolderHeld(folder, _holder(folder)) from None
        with contextlib.suppress(OSError):
            os.truncate(descriptor, 0)
            os.write(descriptor, f"pid {os.getpid()}".encode())
        yield
    finally:
        os.close(descriptor)


def _opened(folder: Path) -> int:
    file = folder / LOCK
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)  # photos and the log are nobody else's business
    with contextlib.suppress(OSError):
        return os.open(file, os.O_RDWR | os.O_CREAT, 0o644)
    # A folder can be locked like a file.
    return os.open(file if file.exists() else folder, os.O_RDONLY)


def _holder(folder: Path) -> str:
    try:
        return (folder / LOCK).read_text("utf-8").strip() or "unknown"
    except (OSError, ValueError):
        return "unknown"
