"""How much room the log's disk has left, whether that is enough for another day, and whether the file is there."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

LEAST_BYTES = 500_000_000
"""Less free than this is told early: the rest of the machine writes to this disk too. Common practice, no source."""
READING_BYTES = 5
"""What a reading takes in the file, its share of rows and indexes included, at most (measured: `python -m
tests.benchmarks log`)."""
DAY_S = 86_400.0
KNOWN_AFTER_S = 3600.0
"""A pace is of this long at least: the first minutes tell nothing of a day."""


class Room:
    """Looks when it is told to, in the thread that writes: a disk that hangs must not hold up who only asks."""

    def __init__(self, path: Path, now_s: float) -> None:
        """`now_s`: now on a clock that never goes back."""
        self._path = path
        self._since_s = now_s
        self._readings = 0
        self.file_bytes: int | None = None
        """The log's file with what waits beside it; None: not known."""
        self.free_bytes: int | None = None
        """Of its disk, for this user; None: not known."""
        self.warning = ""
        """For the operator; empty: there is room enough, or it is not known."""
        self.lost = ""
        """Why what is written now does not last, though writing works; empty: it does."""

    def took(self, readings: int) -> None:
        """So many were written."""
        self._readings += readings

    def look(self, now_s: float) -> None:
        """See how much there is, and that the file is there."""
        self.lost = ""
        if gone := deleted(self._path):
            self.lost = (
                f"{gone} was deleted or replaced while the daemon writes to it: what is recorded now is gone when the "
                "daemon ends; switch the outputs off, restart the daemon, then `benchd log check`"
            )
        try:
            disk = os.statvfs(self._path.parent)
            self.free_bytes = disk.f_bavail * disk.f_frsize
            self.file_bytes = file_bytes(self._path)
        except OSError:
            self.free_bytes = self.file_bytes = None
            self.warning = ""
            return
        day = self._readings / max(now_s - self._since_s, KNOWN_AFTER_S) * DAY_S * READING_BYTES
        wanted = max(LEAST_BYTES, day)
        self.warning = ""
        if not wanted <= self.free_bytes:
            self.warning = (
                f"the log's disk has {self.free_bytes / 1e6:.0f} MB free, wanted are {wanted / 1e6:.0f} MB"
                + (" (a day of readings at the present pace)" if wanted > LEAST_BYTES else "")
                + f": free some space where {self._path} is; recording stops when it is full"
            )


def file_bytes(log: Path) -> int:
    """The log's file with what waits beside it in its -wal file, bytes. Raises OSError."""
    return sum(_size(log.with_name(log.name + end)) for end in ("", "-wal"))


def deleted(log: Path) -> Path | None:
    """The log's file or its -wal file, where this process has it open and its name is gone or another file's.

    By /proc (proc_pid_fd(5)): "(deleted)" behind the name. None as well on systems without it.
    """
    log = log.resolve()
    ours = {f"{path} (deleted)": path for path in (log, log.with_name(log.name + "-wal"))}
    with contextlib.suppress(OSError):
        for number in os.listdir("/proc/self/fd"):
            with contextlib.suppress(OSError):  # closed meanwhile
                if (gone := ours.get(os.readlink(f"/proc/self/fd/{number}"))) is not None:
                    return gone
    return None


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except FileNotFoundError:
        return 0
