"""`benchd trace plot`: a picture of traces, as a file or in the terminal."""

from __future__ import annotations

import os
import shutil
import sys
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from benchd.cli import job as job_cli
from benchd.cli import out

if TYPE_CHECKING:
    from collections.abc import Callable

    from benchd.store.log import Log
    from benchd.traces.band import Band
    from benchd.traces.picture import Pictured, Scene
    from benchd.traces.terminal_picture import Look
    from benchd.traces.trace import Divergence


def plot(
    traces: Annotated[list[str], typer.Argument(help="Filed traces by id, or files; several are overlaid.")],
    to: Annotated[
        Path | None, typer.Option(help="Picture to write, .png or .svg; without it, in the terminal.")
    ] = None,
    reference: Annotated[
        list[str] | None, typer.Option(help="A good board's trace, by id or file, for the band. Again for more.")
    ] = None,
    against: Annotated[
        str | None, typer.Option(help="Overlay this trace, and show where the first one leaves it.")
    ] = None,
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """A picture of traces: current, voltage, marks, phases, limit, references. Example: benchd trace plot ID --to x.png

    Files need no log. Without --to it is drawn with letters: plain ones where the output is no terminal.
    """
    from benchd.traces.picture import PictureError, scene

    kind = None if to is None else out.picture_kind(to)
    with ExitStack() as stack:
        found = _finder(lambda: stack.enter_context(
            job_cli.the_log(job_cli.data_path(data_dir, config), read_only=True)))  # fmt: skip
        names = [*traces, *([against] if against is not None else [])]
        pictured = [found(name) for name in names]
        band = _band(reference or [], [found(name) for name in reference or []])
    if against is not None and band is None:
        divergence = _divergence(pictured[0], _band([against], pictured[-1:]))
    else:
        divergence = _divergence(pictured[0], band)
    title = pictured[0].title if len(pictured) == 1 else "Traces " + ", ".join(p.name for p in pictured)
    with out.errors(PictureError):
        drawn = scene(title, pictured, band, divergence)
    record = _record(drawn, divergence)
    if to is not None and kind is not None:
        from benchd.traces.picture_draw import picture

        out.write(to, picture(drawn, kind))
        out.emit({**record, "file": str(to)}, f"{', '.join(names)} drawn to {to}", json_)
        return
    from benchd.traces.terminal_picture import terminal_picture

    text = terminal_picture(drawn, _look(json_))
    out.emit({**record, "picture": text}, text, json_)


def _finder(open_log: Callable[[], Log]) -> Callable[[str], Pictured]:
    """Looks up a trace by file name, else by its id; the log is opened once it is needed."""
    opened: list[Log] = []

    def find(name: str) -> Pictured:
        from benchd.traces.csvfile import CsvError, load_csv
        from benchd.traces.picture import Pictured
        from benchd.traces.signatures import read_trace

        file = Path(name)
        if file.is_file():
            with out.errors(CsvError):
                trace = load_csv(file)
            return Pictured(file.name, trace, read_trace(trace))
        if not opened:
            if file.suffix.lower() in (".csv", ".parquet"):
                out.fail(f"{name}: there is no such file")
            opened.append(open_log())
        row, whole = opened[0].trace(name), opened[0].whole_trace(name)
        if row is None or whole is None:
            out.fail(f"trace {name!r} is no file, and not in this log; `benchd trace list` shows what is")
        return Pictured(name, whole, row.finding, f"job {row.job}" if row.job else "")

    return find


def _band(names: list[str], references: list[Pictured]) -> Band | None:
    from benchd.traces.band import Band, BandError

    if not references:
        return None
    try:
        return Band.of([p.trace for p in references])
    except BandError as e:
        out.fail(f"no band of {', '.join(names)}: {e}")


def _divergence(pictured: Pictured, band: Band | None) -> Divergence | None:
    from benchd.traces.divergence import first_divergence

    return None if band is None else first_divergence(pictured.trace, band)


def _look(plain: bool) -> Look:
    """What the terminal can show; NO_COLOR is taken as anywhere (https://no-color.org)."""
    from benchd.traces.terminal_picture import Look

    there = sys.stdout.isatty() and not plain and os.environ.get("TERM") != "dumb"
    letters = (getattr(sys.stdout, "encoding", None) or "").lower().replace("-", "") == "utf8"
    return Look(shutil.get_terminal_size().columns, there and not os.environ.get("NO_COLOR"), there and letters)


def _record(drawn: Scene, divergence: Divergence | None) -> dict[str, Any]:
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
        "divergence": msgspec.to_builtins(divergence) if divergence is not None else None,
    }
