"""What can go wrong with the log.

LogError            asked for something that cannot be (unknown trace, job there twice, file of another program)
  LogDown           the file cannot be read or written now (disk full, read-only, locked); may pass
  LogDamaged        the file, or a part of it, is damaged
  FolderHeld        (holding.py) another process has the log's folder
"""

from __future__ import annotations

import sqlite3
from pathlib import Path


class LogError(Exception):
    """The log cannot do what was asked. The text names the file and what to do."""


class LogDown(LogError):
    """The log cannot be read or written now; the same call may succeed later."""


class LogDamaged(LogError):
    """The log, or a part of it, is damaged; what does not touch that part goes on."""


_ADVICE = {
    "SQLITE_FULL": "the disk is full: free some space, recording goes on by itself",
    "SQLITE_READONLY": "the file is read-only: check its owner and rights, and how its disk is mounted",
    "SQLITE_PERM": "not allowed: check the file's owner and rights",
    "SQLITE_CANTOPEN": "cannot be opened: check that its folder exists and is writable",
    "SQLITE_IOERR": "the disk reports an error: check the disk and its free space",
    "SQLITE_BUSY": "another program holds the file: close it",
    "SQLITE_LOCKED": "another program holds the file: close it",
    "SQLITE_CORRUPT": "the file is damaged: `benchd log check` says where; it is repaired, or a copy restored",
    "SQLITE_NOTADB": "not a log of benchd: name another file",
}
_PASSING = ("SQLITE_FULL", "SQLITE_READONLY", "SQLITE_PERM", "SQLITE_CANTOPEN", "SQLITE_IOERR", "SQLITE_BUSY",
            "SQLITE_LOCKED", "SQLITE_PROTOCOL", "SQLITE_NOMEM", "SQLITE_INTERRUPT")  # fmt: skip


def from_sqlite(error: sqlite3.Error, path: Path) -> LogError:
    """The log's own error for one of SQLite's, by its result code (names as in sqlite.org/rescode.html)."""
    name = getattr(error, "sqlite_errorname", None) or ""
    advice = next((text for code, text in _ADVICE.items() if name.startswith(code)), "")
    text = f"{path}: {error}" + (f"; {advice}" if advice else "")
    if name.startswith("SQLITE_CORRUPT"):
        return LogDamaged(text)
    return LogDown(text) if name.startswith(_PASSING) else LogError(text)
