"""What is said about a file that cannot be read as a trace."""

from __future__ import annotations


class TraceFileError(ValueError):
    """A file that is not a trace, or one that needs a word from a person first.

    The message begins with the place: file, line and column as far as they apply.
    """

    def __init__(self, file: str, line: int | None, column: str | None, problem: str) -> None:
        self.file, self.line, self.column, self.problem = file, line, column, problem
        place = file + (f", line {line}" if line else "") + (f", column {column}" if column else "")
        super().__init__(f"{place}: {problem}")


class CsvError(TraceFileError):
    """A text file that is not a trace."""


class ParquetError(TraceFileError):
    """A Parquet file that is not a trace."""


def shown(text: str, most: int = 40) -> str:
    """A piece of a file as an error shows it: in quotes, unprintables escaped, not longer than a line bears."""
    return repr(text if len(text) <= most else text[: most - 1] + "…")
