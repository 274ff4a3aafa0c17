"""`benchd trace read`: what traces look like, in files or in the log, without any daemon."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, cast

import typer

from benchd.cli import job as job_cli
from benchd.cli import out, signatures
from benchd.cli import table_options as table
from benchd.cli import trace_words as words
from benchd.cli.trace_source import Source

if TYPE_CHECKING:
    from benchd.traces.band import Band
    from benchd.traces.signatures import Side
    from benchd.traces.table_options import ReadAs


def read(
    traces: Annotated[list[str], typer.Argument(help="Files (CSV, Parquet), or ids of filed traces.")],
    reference: Annotated[
        list[str] | None, typer.Option(help="A good board's trace, file or id, to compare with. Again for more.")
    ] = None,
    side: table.Side = None,
    cards: Annotated[Path | None, signatures.CARDS] = None,
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
    button: table.Button = None,
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """Say what traces look like. Files need no daemon and no log. Example: benchd trace read boot.csv --json

    CSV with a header: time_s,voltage_v,current_a, or names and units as other programs write them (t (ms); U [V];
    I (mA)), with any usual delimiter, decimal comma, and dates or clocks for times. What a file leaves open is asked:
    say it with the options. What they say goes for all files, and before what the files say.

    A filed trace is read anew, with the references of its board where --reference names no others.
    """
    from benchd.traces.file_error import TraceFileError
    from benchd.traces.signatures import read_trace

    options = table.read_as(
        time_unit=time_unit, voltage_unit=voltage_unit, current_unit=current_unit, column=column, decimal=decimal,
        delimiter=delimiter, interval=interval, set_voltage=set_voltage, limit=limit, resolution=resolution,
        side=side, button=button,
    )  # fmt: skip
    fed = cast("Side | None", options.side)
    shelf = signatures.shelf_of(cards, config, data_dir)
    for fault in shelf.faults():
        typer.echo(f"benchd: {fault}", err=True)
    bad = False
    with Source(data_dir, config) as source:
        band = _band(source, reference or [], options)
        for name in traces:
            try:
                given = source.find(name, options)
            except TraceFileError as e:
                bad = True
                if json_:
                    out.emit({"file": name, "error": str(e)}, "", True)
                else:
                    typer.echo(f"benchd: {e}", err=True)
                continue
            finding = read_trace(given.trace, shelf, band or source.own_band(given), fed)
            first = {"file": name} if given.row is None else {"trace": name}
            notes = [f"    note: {n}" for n in given.notes]
            text = "\n".join([name, words.finding_text(finding), *notes])
            out.emit({**first, **words.finding_record(finding), "notes": list(given.notes)}, text, json_)
    if bad:
        raise typer.Exit(1)


def _band(source: Source, names: Sequence[str], options: ReadAs) -> Band | None:
    """The band of the references; ends the command when one cannot be used. The button that a person gave is that of
    the traces to read."""
    from benchd.traces.file_error import TraceFileError

    if not names:
        return None
    from benchd.traces.band import Band, BandError

    with out.errors(TraceFileError, BandError):
        return Band.of([source.find(name, dataclasses.replace(options, button_s=None)).trace for name in names])
