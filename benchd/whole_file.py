"""A file is replaced whole or not at all, whenever the power fails; a link goes on pointing at it."""

from __future__ import annotations

import contextlib
import os
import secrets
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO


def replace_file(path: Path, text: str, *, private: bool = False) -> None:
    """Write `text` to a new file, which takes the old one's place with its mode. Folders are made as needed.

    `private`: whatever mode the old one had, and at no moment, can another user read it.

    Raises OSError, or UnicodeEncodeError for a text that UTF-8 cannot say, and then the file is as it was.
    """
    data = text.encode("utf-8")
    with replacing(path, private=private) as file:
        file.write(data)


@contextlib.contextmanager
def replacing(path: Path, *, private: bool = False) -> Iterator[BinaryIO]:
    """The same, for who writes piece by piece: the new file takes the old one's place when the block has ended.

    Raises OSError, and then, or when anything is raised inside, the file is as it was.
    """
    target = Path(os.path.realpath(path))
    target.parent.mkdir(parents=True, exist_ok=True)
    temporary = target.with_name(f".{target.name}.{secrets.token_hex(6)}")
    try:
        # One that comes after another has that one's mode in the end, and until then nobody else's eyes on it.
        mode = 0o600 if private or target.exists() else 0o666
        descriptor = os.open(temporary, os.O_RDWR | os.O_CREAT | os.O_EXCL, mode)
        with os.fdopen(descriptor, "w+b") as file:
            yield file
            file.flush()
            if not private:
                take_after(target, file.fileno())
            os.fsync(file.fileno())
        os.replace(temporary, target)
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise
    sync_folder(target.parent)


def sync_file(path: Path) -> None:
    """What a file holds is on the disk. Raises OSError."""
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def sync_folder(folder: Path) -> None:
    """Names in it that came or went are on the disk, where its file system can promise that."""
    with contextlib.suppress(OSError):  # the change is made; some file systems sync no folders
        sync_file(folder)


def take_after(target: Path, descriptor: int) -> None:
    """Give an open file the mode, and where that is allowed the owner, of the one that it comes after, if there is one.

    Raises OSError.
    """
    try:
        old = target.stat()
    except FileNotFoundError:
        return
    os.fchmod(descriptor, old.st_mode & 0o7777)
    with contextlib.suppress(PermissionError):  # somebody else's file in a folder of ours becomes ours
        os.fchown(descriptor, old.st_uid, old.st_gid)
