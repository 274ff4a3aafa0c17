"""A file that holds room on the log's disk, to be given up when that is full: thinning needs some to begin with."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

from benchd.whole_file import sync_folder

NAME = "benchd.room"
BYTES = 16_000_000
"""Enough for the -wal file of some hundred transactions. Our choice."""
WANTED = 4
"""The file is made where so many times its size are free: it must not be what fills the disk."""


def hold(folder: Path) -> bool:
    """Make the file, if there is room enough; whether it is there. Raises OSError."""
    file = folder / NAME
    if file.exists() and file.stat().st_size >= BYTES:
        return True
    if shutil.disk_usage(folder).free < WANTED * BYTES:
        return False
    descriptor = os.open(file, os.O_WRONLY | os.O_CREAT, 0o600)
    try:
        os.posix_fallocate(descriptor, 0, BYTES)
    except OSError:
        file.unlink(missing_ok=True)
        raise
    finally:
        os.close(descriptor)
    return True


def give_up(folder: Path) -> bool:
    """Take the file away; whether there was one. Raises OSError."""
    try:
        (folder / NAME).unlink()
    except FileNotFoundError:
        return False
    sync_folder(folder)
    return True
