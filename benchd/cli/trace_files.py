"""`benchd trace import` and `export`: traces from files into the log, and out of it."""

from __future__ import annotations

import secrets
import time
from pathlib import Path
from typing import Annotated

import typer

from benchd.cli import job as job_cli
from benchd.cli import out
from benchd.cli import trace_words as words


def import_(
    file: Annotated[Path, typer.Argument(help="CSV: time_s,voltage_v,current_a.")],
    job: Annotated[str | None, typer.Option(help="File it under this job; without it the job on the bench.")] = None,
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """Read a trace from a CSV file and file it with its finding. Example: benchd trace import boot.csv --job R-1042

    Columns time_s,voltage_v,current_a; above them comment lines `# key: value` with set_voltage_v, limit_a,
    resolution_a, board, button_s, where known.
    """
    from benchd.store.filing import file_imported
    from benchd.traces.csvfile import CsvError, load_csv

    with out.errors(CsvError):
        trace = load_csv(file)
    with job_cli.the_log(job_cli.data_path(data_dir, config), read_only=False) as log:
        job = job or log.current_job()
        if job is not None and log.job(job) is None:
            out.fail(f"job {job!r} is not in this log; take it in with `benchd job new {job}`")
        row = file_imported(log, trace, job, f"file-{secrets.token_hex(4)}", time.time_ns())
    out.emit(words.trace_record(row), words.trace_line(row), json_)


def export(
    id: Annotated[str, typer.Argument(help="The trace.")],
    to: Annotated[Path | None, typer.Option(help="File to write; without it standard output.")] = None,
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """A filed trace as CSV, as `import` and `read` take it. Example: benchd trace export ID --to boot.csv"""
    from benchd.traces.csvfile import csv_text

    with job_cli.the_log(job_cli.data_path(data_dir, config), read_only=True) as log:
        found = log.whole_trace(id)
    if found is None:
        out.fail(f"trace {id!r} is not in this log; `benchd trace list` shows what is")
    text = csv_text(found)
    if to is None:
        out.emit({"trace": id, "csv": text}, text.rstrip("\n"), json_)
        return
    try:
        to.write_text(text, "utf-8")
    except OSError as e:
        out.fail(f"{to}: cannot be written: {e}")
    out.emit({"trace": id, "file": str(to)}, f"{id} written to {to}", json_)
