"""`benchd trace read`: what traces in files look like, without any daemon."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from benchd.cli import out
from benchd.cli import trace_words as words


def read(
    files: Annotated[list[Path], typer.Argument(help="CSV files: time_s,voltage_v,current_a.")],
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """Say what traces in CSV files look like. Needs no daemon and no log. Example: benchd trace read boot.csv --json"""
    from benchd.traces.csvfile import CsvError, load_csv
    from benchd.traces.signatures import read_trace

    bad = False
    for file in files:
        try:
            finding = read_trace(load_csv(file))
        except CsvError as e:
            bad = True
            if json_:
                out.emit({"file": str(file), "error": str(e)}, "", True)
            else:
                typer.echo(f"benchd: {e}", err=True)
            continue
        out.emit({"file": str(file), **words.finding_record(finding)}, f"{file}\n{words.finding_text(finding)}", json_)
    if bad:
        raise typer.Exit(1)
