"""`benchd trace export`: readings out of the log as files for other programs, however many they are."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, BinaryIO, Literal, NamedTuple, NoReturn

import typer

from benchd.cli import job as job_cli
from benchd.cli import moments, out, out_file
from benchd.cli.job_pack import BENCH, bench_name

if TYPE_CHECKING:
    from benchd.jobs.job import JournalEntry
    from benchd.store.exporting import Span
    from benchd.store.log import Log, TraceRow

Form = Literal["csv", "parquet", "lines"]
FORMS: dict[str, Form] = {".parquet": "parquet", ".pq": "parquet", ".lp": "lines", ".csv": "csv"}
"""By the ending of a file's name."""


class Asked(NamedTuple):
    """What is to be exported: one trace, all of a job's, or a channel's readings in some time."""

    trace: str | None
    job: str | None
    span: Span | None


def export(
    id: Annotated[str | None, typer.Argument(help="The trace.")] = None,
    job: Annotated[str | None, typer.Option(help="All traces of this job instead, in one table.")] = None,
    supply: Annotated[str | None, typer.Option(help="All readings of this supply instead.")] = None,
    channel: Annotated[int, typer.Option(min=1, help="Which of its outputs.")] = 1,
    since: Annotated[
        str | None, typer.Option(help="From then on: 2026-01-31, 2026-01-31T14:00 (local time), 30d, 12h.")
    ] = None,
    until: Annotated[str | None, typer.Option(help="Before then.")] = None,
    form: Annotated[
        str | None, typer.Option("--format", help="csv, parquet or lines (line protocol); else by the file's name.")
    ] = None,
    to: Annotated[Path | None, typer.Option("--to", "--output", "-o", help="File; else standard output.")] = None,
    bench: Annotated[str | None, BENCH] = None,
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """Readings as a file for other programs. Example: benchd trace export ID -o boot.csv

    CSV (RFC 4180) and Parquet (`pip install 'benchd[parquet]'`) of one trace or of a time range are what `trace read`
    and `trace import` take; those of a job are one table for other programs. Parquet keeps everything: dates, flags,
    all marks. Lines are those that go to [influxdb]. For a whole job with its journal see `benchd job pack`.
    """
    from benchd.store.errors import LogError
    from benchd.store.packing import snapshot
    from benchd.traces.file_error import TraceFileError

    wanted = _form(form, to)
    asked = _asked(id, job, supply, channel, since, until)
    if to is None and (wanted == "parquet" or json_):
        out.fail("--json and Parquet need a file: name one with -o", 2)
    name = bench if bench is not None else bench_name(config) if wanted == "lines" else ""
    if wanted == "lines" and not name:
        out.fail("lines say which bench they are of: name it with --bench, or its settings with --config", 2)
    with (
        job_cli.the_log(job_cli.data_path(data_dir, config), read_only=True) as log,
        out.errors(LogError, TraceFileError),
        snapshot(log),
    ):
        texts = None if wanted == "parquet" else _texts(log, asked, wanted, name)
        if to is None:
            assert texts is not None
            _print(texts)
            return
        with out_file.written(to, log.path) as file:
            if texts is None:
                _parquet(log, asked, file)
            else:
                file.writelines(text.encode() for text in texts)
            size = file.tell() if file.seekable() else None
    what = asked.trace or (f"job {asked.job}" if asked.job else f"{supply} channel {channel}")
    out.emit({"file": str(to), "format": wanted, "bytes": size}, f"{what} written to {to}", json_)


def _form(form: str | None, to: Path | None) -> Form:
    if form is not None:
        for known in FORMS.values():
            if form == known:
                return known
        out.fail(f"--format {form}: allowed are csv, parquet, lines", 2)
    ending = to.suffix.lower() if to is not None else ""
    if to is None or not ending or (to.exists() and not to.is_file()):  # a pipe or a device may be called anything
        return "csv"
    return FORMS.get(ending) or out.fail(
        f"{to}: what to write is told by the ending, and {ending} is none of {', '.join(FORMS)}; or say --format", 2
    )


def _asked(
    id: str | None, job: str | None, supply: str | None, channel: int, since: str | None, until: str | None
) -> Asked:
    from benchd.store.exporting import Span

    if sum(each is not None for each in (id, job, supply)) != 1:
        out.fail("name one of: a trace, --job, --supply", 2)
    if supply is None:
        if since is not None or until is not None:
            out.fail("--since and --until go with --supply", 2)
        return Asked(id, job, None)
    start_ns = moments.moment_ns(since, "--since") if since is not None else 0
    end_ns = moments.moment_ns(until, "--until") if until is not None else time.time_ns() + 1
    if not start_ns < end_ns:
        out.fail(f"--since {since}, --until {until}: there is no time between them", 2)
    return Asked(None, None, Span(supply, channel, start_ns, end_ns))


def _rows(log: Log, asked: Asked) -> list[TraceRow]:
    """The traces asked for, oldest first; ends the command when there is none."""
    if asked.trace is not None:
        row = log.trace(asked.trace)
        return [row] if row is not None else _none(f"trace {asked.trace!r}", "trace")
    assert asked.job is not None
    if log.job(asked.job) is None:
        _none(f"job {asked.job!r}", "job")
    return sorted(log.traces(job=asked.job, limit=-1), key=lambda row: (row.start_ns, row.id))


def _none(what: str, kind: str) -> NoReturn:
    out.fail(f"{what} is not in this log; `benchd {kind} list` shows what is")


def _texts(log: Log, asked: Asked, form: Form, bench: str) -> Iterator[str]:
    """The file's text, piece by piece."""
    from benchd.store import exporting
    from benchd.traces import csv_write

    if asked.span is not None:
        whole = exporting.of_range(log, asked.span)
        if form == "csv":
            return csv_write.range_pieces(whole)
        return exporting.lines(log, [asked.span], exporting.events_in(log, asked.span), bench)
    rows = _rows(log, asked)
    if form == "lines":
        return exporting.lines(log, map(exporting.span_of, rows), _events(log, asked), bench)
    if asked.trace is not None:
        return csv_write.csv_pieces(exporting.long_trace(log, rows[0]))
    return csv_write.table_pieces(exporting.named(log, rows))


def _events(log: Log, asked: Asked) -> Iterable[JournalEntry]:
    from benchd.store.lines import EVENT_KINDS

    return log.journal(job=asked.job, trace=asked.trace, limit=-1, kinds=EVENT_KINDS)


def _parquet(log: Log, asked: Asked, file: BinaryIO) -> None:
    from benchd.store import exporting
    from benchd.traces.parquet import save_parquet, save_table

    if asked.span is not None:
        save_parquet(exporting.of_range(log, asked.span), file)
    elif asked.trace is not None:
        save_parquet(exporting.long_trace(log, _rows(log, asked)[0]), file)
    else:
        save_table(exporting.named(log, _rows(log, asked)), file)


def _print(texts: Iterable[str]) -> None:
    """On standard output, line ends as they are."""
    sys.stdout.flush()
    stream = getattr(sys.stdout, "buffer", None)
    for text in texts:
        if stream is None:
            sys.stdout.write(text)
        else:
            stream.write(text.encode())
    sys.stdout.flush()
