"""Where commands take traces from: files and the log, by one word."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, NamedTuple, Self

from benchd.cli import job as job_cli

if TYPE_CHECKING:
    from benchd.store.log import Log, TraceRow
    from benchd.traces.band import Band
    from benchd.traces.table_options import ReadAs
    from benchd.traces.trace import Trace


class Given(NamedTuple):
    """A trace that somebody named."""

    name: str
    trace: Trace
    row: TraceRow | None = None
    """Its row, where it is in the log."""
    notes: tuple[str, ...] = ()
    """What is to be said of how its file was taken."""


class Source:
    """Finds traces by file name, else by id. The log is opened when an id is looked up, and closed at the end."""

    def __init__(self, data_dir: Path | None, config: Path | None) -> None:
        self._data_dir, self._config = data_dir, config
        self._stack = ExitStack()
        self._log: Log | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> bool | None:
        return self._stack.__exit__(kind, error, trace)

    def find(self, name: str, options: ReadAs | None = None) -> Given:
        """The trace. `options` are for a file. Raises TraceFileError; ends the command when the log cannot be used."""
        from benchd.traces.file_error import TraceFileError
        from benchd.traces.table_options import AS_IT_SAYS
        from benchd.traces.trace_file import read_file

        path = Path(name)
        if path.exists():
            found = read_file(path, options or AS_IT_SAYS)
            return Given(name, found.trace, None, found.notes)
        folder = job_cli.data_path(self._data_dir, self._config)
        nothing = "cannot be read: there is no such file, and no"
        if self._log is None:
            if not job_cli.log_file(folder).exists():
                raise TraceFileError(name, None, None, f"{nothing} log in {folder} to have a trace of that id")
            self._log = self._stack.enter_context(job_cli.the_log(folder, read_only=True))
        row, trace = self._log.trace(name), self._log.whole_trace(name)
        if row is None or trace is None:
            problem = f"{nothing} trace of that id in the log; `benchd trace list` shows what is"
            raise TraceFileError(name, None, None, problem)
        return Given(name, trace, row)

    def own_band(self, given: Given) -> Band | None:
        """Of the references of its board, where it is in the log and its board has any."""
        from benchd.store.reference_rows import band_for

        return band_for(self._log, given.row) if self._log is not None and given.row is not None else None
