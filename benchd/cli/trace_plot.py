"""`benchd trace plot`: a picture of traces, as a file or in the terminal."""

from __future__ import annotations

import os
import shutil
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from benchd.cli import job as job_cli
from benchd.cli import out, signatures
from benchd.cli import table_options as table
from benchd.cli.trace_source import Given, Source

if TYPE_CHECKING:
    from benchd.traces.band import Band
    from benchd.traces.cards import Shelf
    from benchd.traces.picture import Pictured, Scene
    from benchd.traces.terminal_picture import Look
    from benchd.traces.trace import Divergence

OTHER = "the other"
"""What the trace is called that another is held against: nothing says that it is of a good board."""
LONGEST_TITLE = 80
"""Letters; longer, and the names stand in the legend alone."""


def plot(
    traces: Annotated[list[str], typer.Argument(help="Files (CSV, Parquet), or ids of filed traces: overlaid.")],
    to: Annotated[
        Path | None, typer.Option(help="Picture to write, .png or .svg; without it, in the terminal.")
    ] = None,
    reference: Annotated[
        list[str] | None,
        typer.Option(help="A good board's trace, file or id. Again for more; without it, the board's own references."),
    ] = None,
    against: Annotated[
        str | None, typer.Option(help="Overlay this trace, file or id, and show where the first one leaves it.")
    ] = None,
    alone: Annotated[bool, typer.Option("--alone", help="Without the references of its board.")] = False,
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
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """A picture of traces: current, voltage, marks, phases, limit, references. Example: benchd trace plot ID --to x.png

    Files need no log. Without --to it is drawn with letters: plain ones where the output is no terminal. What a file
    leaves open is asked; the options, as of `benchd trace read`, go for all files.
    """
    from benchd.traces.band import BandError
    from benchd.traces.file_error import TraceFileError
    from benchd.traces.picture import COLUMNS, PictureError, scene
    from benchd.traces.terminal_picture import COLUMNS as TERMINAL_COLUMNS

    kind = None if to is None else out.picture_kind(to)
    options = table.read_as(
        time_unit=time_unit, voltage_unit=voltage_unit, current_unit=current_unit, column=column, decimal=decimal,
        delimiter=delimiter, interval=interval, set_voltage=set_voltage, limit=limit, resolution=resolution,
    )  # fmt: skip
    names = [*traces, *([against] if against is not None else [])]
    with out.errors(PictureError, BandError, TraceFileError), Source(data_dir, config) as source:
        given = [source.find(name, options) for name in names]
        band = _band([source.find(name, options) for name in reference or []])
        if band is None and len(given) == 1 and not alone:
            band = source.own_band(given[0])
        shelf = signatures.shelf_of(None, config, data_dir)
        pictured = []
        for n, one in enumerate(given):
            own = None if alone else source.own_band(one)
            pictured.append(_pictured(one, shelf, band if n == 0 and band is not None else own))
        divergence = _divergence(pictured, band, against is not None)
        columns = COLUMNS if kind else TERMINAL_COLUMNS
        drawn = scene(_title(pictured), pictured, band, divergence, columns, OTHER if band is None else "")
    _emit(drawn, to, kind, json_)


def _title(pictured: list[Pictured]) -> str:
    if len(pictured) == 1:
        return pictured[0].title
    names = "Traces " + ", ".join(p.name for p in pictured)
    return names if len(names) <= LONGEST_TITLE else f"{len(pictured)} traces"


def _emit(drawn: Scene, to: Path | None, kind: Literal["svg", "png"] | None, json_: bool) -> None:
    record = _record(drawn)
    if to is not None and kind is not None:
        from benchd.traces.picture_draw import picture

        out.write(to, picture(drawn, kind))
        out.emit({**record, "file": str(to)}, f"{drawn.title} drawn to {to}", json_)
        return
    from benchd.traces.terminal_picture import terminal_picture

    text = terminal_picture(drawn, _look(json_))
    out.emit({**record, "picture": text}, text, json_)


def _pictured(given: Given, shelf: Shelf, band: Band | None) -> Pictured:
    """With its finding as read now; one that was filed says so where it was another."""
    from benchd.traces.filed import read_anew
    from benchd.traces.picture import Pictured
    from benchd.traces.signatures import read_trace

    finding = read_trace(given.trace, shelf, band)
    if given.row is None:
        return Pictured(Path(given.name).name, given.trace, finding)
    told = read_anew(given.row.finding, finding.signature, finding.confidence, band)
    return Pictured(given.name, given.trace, finding, f"job {given.row.job}" if given.row.job else "", told)


def _band(references: list[Given]) -> Band | None:
    from benchd.traces.band import Band

    return Band.of([one.trace for one in references]) if references else None


def _divergence(pictured: list[Pictured], band: Band | None, against: bool) -> Divergence | None:
    """Where the first leaves the band; without one, where it and the last part."""
    from benchd.traces.divergence import first_divergence, parted

    if band is not None:
        return first_divergence(pictured[0].trace, band)
    found = parted(pictured[0].trace, pictured[-1].trace, OTHER) if against else None
    return None if found is None else found.divergence


def _look(plain: bool) -> Look:
    """What the terminal can show; NO_COLOR is taken as anywhere (https://no-color.org)."""
    from benchd.traces.terminal_picture import Look

    there = sys.stdout.isatty() and not plain and os.environ.get("TERM") != "dumb"
    letters = (getattr(sys.stdout, "encoding", None) or "").lower().replace("-", "") == "utf8"
    size = shutil.get_terminal_size()
    # A file has as many rows as it gets; the last row of a terminal is for what is typed next.
    rows = size.lines - 1 if there else None
    return Look(size.columns, there and not os.environ.get("NO_COLOR"), there and letters, rows)


def _record(drawn: Scene) -> dict[str, Any]:
    """What is in the picture, as one JSON object."""
    import msgspec

    first, last = drawn.window_s
    return {
        "title": drawn.title,
        "traces": [c.name for c in drawn.curves],
        "from_s": round(first, 6),
        "to_s": round(last, 6),
        "time_from": drawn.zero,
        "references": len(drawn.band.curves) if drawn.band is not None else 0,
        "divergence": msgspec.to_builtins(drawn.divergence) if drawn.divergence is not None else None,
    }
