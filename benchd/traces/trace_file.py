"""Traces from files, whatever the kind: Parquet is told by its first bytes, anything else is read as CSV.

Errors: everything wrong with a file is a `TraceFileError`.
"""

from __future__ import annotations

from pathlib import Path

from benchd.traces.csvfile import read_csv
from benchd.traces.from_file import FromFile
from benchd.traces.parquet import MAGIC, read_parquet
from benchd.traces.table_options import AS_IT_SAYS, ReadAs


def read_file(path: Path | str, options: ReadAs = AS_IT_SAYS) -> FromFile:
    """The trace in a file. Raises TraceFileError."""
    return read_parquet(path, options) if _is_parquet(Path(path)) else read_csv(path, options)


def _is_parquet(path: Path) -> bool:
    try:
        if not path.is_file():  # a pipe gives its first bytes once only
            return False
        with path.open("rb") as file:
            return file.read(len(MAGIC)) == MAGIC
    except (OSError, ValueError):
        return False  # the reader of text says what is wrong with it
