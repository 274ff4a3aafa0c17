"""A small TOML file that a person writes, read with care: a regular file, not too long, UTF-8, of a known format."""

from __future__ import annotations

import stat
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from benchd.checked import Fault

MOST_BYTES = 65_536
"""Of such a file: many times what a long one has. Our choice, so that a wrong file is not read at length."""


class FileFault(ValueError):
    """A file cannot be used, written or deleted. One line a fault: file, key, what was given, what is allowed."""

    def __init__(self, where: str, found: Sequence[Fault]) -> None:
        super().__init__("\n".join(f"{where}: {each.text}" for each in found))
        self.faults = tuple(found)
        """The same by key, for a form: the key is that of the value at fault, or empty."""


def text_of(path: Path) -> str:
    """What stands in the file. Raises FileFault, also where there is none."""
    where = str(path)
    try:
        if not stat.S_ISREG(path.stat().st_mode):  # a pipe would keep us waiting
            raise FileFault(where, [Fault("", "is not a file; its name stands for something else here")])
        with path.open("rb") as file:
            raw = file.read(MOST_BYTES + 1)
        if len(raw) > MOST_BYTES:
            raise FileFault(where, [Fault("", f"longer than {MOST_BYTES} bytes: no file of this kind is")])
        return raw.decode("utf-8")
    except OSError as error:
        raise FileFault(where, [Fault("", f"cannot be read: {error}")]) from error
    except UnicodeDecodeError as error:
        raise FileFault(where, [Fault("", f"not UTF-8 text: {error}")]) from error


def tables_of(text: str, where: str, form: int) -> dict[str, Any]:
    """What a text says, its `format` checked and taken out. Raises FileFault."""
    if len(text.encode("utf-8", "surrogatepass")) > MOST_BYTES:
        raise FileFault(where, [Fault("", f"longer than {MOST_BYTES} bytes: no file of this kind is")])
    try:
        said = tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # beside TOML's own errors: 5000 digits, brackets in brackets
        raise FileFault(where, [Fault("", f"not valid TOML: {error}")]) from error
    if "format" not in said:
        raise FileFault(where, [Fault("format", f"format: missing; begin the file with format = {form}")])
    given = said.pop("format")
    if given != form or isinstance(given, bool):
        raise FileFault(where, [Fault("format", f"format = {given!r}: this version of benchd reads format {form}")])
    return said
