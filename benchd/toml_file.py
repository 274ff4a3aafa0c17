"""A small TOML file that a person writes, read with care: a regular file, not too long, UTF-8, of a known format.

Kinds of files (plans, cards, checklists ...) may have an error of their own: each function takes it as `error`.
"""

from __future__ import annotations

import stat
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from benchd.checked import Fault
from benchd.whole_file import replace_file

MOST_BYTES = 65_536
"""Of such a file: many times what a long one has. Our choice, so that a wrong file is not read at length."""


class FileFault(ValueError):
    """A file cannot be used, written or deleted. One line a fault: file, key, what was given, what is allowed."""

    def __init__(self, where: str, found: Sequence[Fault]) -> None:
        super().__init__("\n".join(f"{where}: {each.text}" for each in found))
        self.faults = tuple(found)
        """The same by key, for a form: the key is that of the value at fault, or empty."""


def text_of(path: Path, error: type[FileFault] = FileFault) -> str:
    """What stands in the file, line ends as they are. Raises `error`, also where there is none."""
    where = str(path)
    try:
        if not stat.S_ISREG(path.stat().st_mode):  # a pipe would keep us waiting
            raise error(where, [Fault("", "is not a file; its name stands for something else here")])
        with path.open("rb") as file:
            raw = file.read(MOST_BYTES + 1)
        if len(raw) > MOST_BYTES:
            raise error(where, [too_long()])
        return raw.decode("utf-8")
    except OSError as e:
        raise error(where, [Fault("", f"cannot be read: {e}")]) from e
    except UnicodeDecodeError as e:
        raise error(where, [Fault("", f"not UTF-8 text: {e}")]) from e


def tables_of(text: str, where: str, form: int, error: type[FileFault] = FileFault) -> dict[str, Any]:
    """What the text of a file says, its `format` checked and taken out; `where`: what to call it. Raises `error`."""
    if len(text.encode("utf-8", "surrogatepass")) > MOST_BYTES:
        raise error(where, [too_long()])
    try:
        said = tomllib.loads(text)
    except (ValueError, RecursionError) as e:  # beside TOML's own errors: 5000 digits, brackets in brackets
        raise error(where, [Fault("", f"not valid TOML: {e}")]) from e
    if "format" not in said:
        raise error(where, [Fault("format", f"format: missing; begin the file with format = {form}")])
    given = said.pop("format")
    if given != form or isinstance(given, bool):
        raise error(where, [Fault("format", f"format = {given!r}: this version of benchd reads format {form}")])
    return said


def write(path: Path, text: str, error: type[FileFault] = FileFault) -> None:
    """The text takes the place of the file's, whole or not at all. Raises `error`, and then the file is as it was."""
    try:
        replace_file(path, text)
    except (OSError, UnicodeEncodeError) as e:
        raise error(str(path), [Fault("", f"cannot be written, so it is as it was: {e}")]) from e


def too_long() -> Fault:
    """Said of a file that is longer than MOST_BYTES."""
    return Fault("", f"longer than {MOST_BYTES} bytes: no file of this kind is")


def placed(fault: Fault) -> Fault:
    """A rule between keys gets the key that its sentence begins with."""
    return fault if fault.key or " = " not in fault.text else fault._replace(key=fault.text.split(" = ", 1)[0])
