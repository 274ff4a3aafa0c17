"""`benchd trace import`: traces from files into the log."""

from __future__ import annotations

import secrets
import time
from pathlib import Path
from typing import Annotated

import typer

from benchd.cli import job as job_cli
from benchd.cli import out
from benchd.cli import table_options as table
from benchd.cli import trace_words as words


def import_(
    file: Annotated[Path, typer.Argument(help="CSV or Parquet.")],
    job: Annotated[str | None, typer.Option(help="File it under this job; without it the job on the bench.")] = None,
    time_unit: table.TimeUnit = None,
    voltage_unit: table.VoltageUnit = None,
    current_unit: table.CurrentUnit = None,
    column: table.ColumnNames = None,
    decimal: table.Decimal = None,
    delimiter: table.Delimiter = None,
    interval: table.Interval = None,
    set_voltage: table.SetVoltage = None,
    limit: table.Limit = None,
    resolution: table.Resolution = None,
    board: Annotated[str | None, typer.Option(help="Kind of board.")] = None,
    side: table.Side = None,
    button: table.Button = None,
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """Read a trace from a file and file it with its finding. Example: benchd trace import boot.csv --job R-1042

    CSV with a header: time_s,voltage_v,current_a, or names and units as other programs write them (t (ms); U [V];
    I (mA)), with any usual delimiter, decimal comma, and dates or clocks for times. Lines `# key: value` above it may
    say set_voltage_v, limit_a, resolution_a, board, button_s; so do the options, which go first.
    """
    from benchd.cli.signatures import shelf_of
    from benchd.store.filing import file_imported
    from benchd.traces.file_error import TraceFileError
    from benchd.traces.trace_file import read_file

    options = table.read_as(
        time_unit=time_unit, voltage_unit=voltage_unit, current_unit=current_unit, column=column, decimal=decimal,
        delimiter=delimiter, interval=interval, set_voltage=set_voltage, limit=limit, resolution=resolution,
        board=board, side=side, button=button,
    )  # fmt: skip
    with out.errors(TraceFileError):
        found = read_file(file, options)
    shelf = shelf_of(None, config, data_dir)
    with job_cli.the_log(job_cli.data_path(data_dir, config), read_only=False) as log:
        job = job or log.current_job()
        if job is not None and log.job(job) is None:
            out.fail(f"job {job!r} is not in this log; take it in with `benchd job new {job}`")
        row = file_imported(log, found.trace, job, f"file-{secrets.token_hex(4)}", time.time_ns(), shelf)
    text = "\n".join([words.trace_line(row), *(f"  note: {n}" for n in found.notes)])
    out.emit({**words.trace_record(row), "notes": list(found.notes)}, text, json_)
