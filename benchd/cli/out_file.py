"""Files that commands write for people to take away."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

from benchd.cli import out
from benchd.whole_file import replacing


@contextmanager
def written(file: Path, log: Path) -> Iterator[BinaryIO]:
    """The file to write to; it takes its place when it is whole, or stays as it was. Ends the command when it cannot
    be written, or is the `log` itself. A pipe or a device is written as it comes."""
    try:
        if file.exists() and log.exists() and file.samefile(log):
            out.fail(f"{file}: is the log itself; name another file", 2)
        if not file.parent.is_dir():
            out.fail(f"{file}: cannot be written: there is no such folder")
        if file.exists() and not file.is_file():
            with file.open("wb") as stream:
                yield stream
        else:
            with replacing(file) as stream:
                yield stream
    except OSError as e:
        out.fail(f"{file}: cannot be written: {e.strerror or e}")
