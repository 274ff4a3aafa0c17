"""`check FILE ...` and `copy --as` of plans, checklists and procedures: what they have in common."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import typer

from benchd.cli import out

AS = typer.Option("--as", help="Name of the copy; without it, it stands before the original.")


def check_files(files: Sequence[Path], read: Callable[[Path], object], fault: type[Exception], as_json: bool) -> None:
    """Tell of each file whether `read` takes it; `fault`: what it raises, a line a fault. Ends with status 2 where
    one is not in order."""
    faulty = False
    for path in files:
        faults: list[str] = []
        try:
            read(path)
        except fault as error:
            faults, faulty = str(error).splitlines(), True
        if as_json or not faults:
            out.emit({"file": str(path), "ok": not faults, "faults": faults}, f"{path}: in order", as_json)
        else:
            typer.echo("\n".join(f"benchd: {each}" for each in faults), err=True)
    if faulty:
        raise typer.Exit(2)
