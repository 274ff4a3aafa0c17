"""`benchd reference`: which traces are of good boards, so that others are compared with them."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any
from urllib.parse import quote

import typer

from benchd.cli import daemon_link, out
from benchd.cli import job as job_cli

if TYPE_CHECKING:
    from benchd.store.reference_rows import Reference

app = typer.Typer(help="Traces of good boards, by kind of board: others are compared with them.",
                  no_args_is_help=True, rich_markup_mode=None)  # fmt: skip


@app.command()
def add(
    trace: Annotated[str, typer.Argument(help="The trace of a good board.")],
    board: Annotated[str, typer.Option(help="Kind of board; without it that of its job, else of its file.")] = "",
    note: Annotated[str, typer.Option(help="Where it is from.")] = "",
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """Make a trace a reference. Example: benchd reference add ID --board blue-phone --note "new, from stock"

    Traces of that kind of board are then read against all its references. Again changes board and note.
    """
    import msgspec

    from benchd.store.reference_rows import (
        Reference,
        ReferenceFault,
        check_reference,
        keep_reference,
        other_filed,
    )

    folder = job_cli.data_path(data_dir, config)
    if url := daemon_link.daemon_url(folder):
        body = {"trace": trace, "board": board, "note": note, "by": "command-line"}
        with out.errors(daemon_link.DaemonSaid):
            answer = daemon_link.call(url, "POST", "references", body, within_s=60)
        kept, doubt = msgspec.convert(answer["reference"], Reference), answer["doubt"]
    else:
        with job_cli.the_log(folder, read_only=False) as log, out.errors(ReferenceFault):
            checked = check_reference(log, trace, board, note)
            kept, doubt = keep_reference(log, checked, "command-line"), checked.doubt
    with job_cli.the_log(folder, read_only=True) as log:
        filed = other_filed(log, kept)
    text = f"trace {kept.trace} is a reference for {kept.board}" + (f"\n  but {doubt}" if doubt else "")
    out.emit(_record(kept) | {"doubt": doubt, "filed_before": filed}, text + _keep(kept.board, filed), json_)


@app.command("list")
def list_(
    board: Annotated[str | None, typer.Option(help="Only of this kind of board.")] = None,
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """All references, newest first. Example: benchd reference list --board blue-phone"""
    from benchd.store.reference_rows import references

    with job_cli.the_log(job_cli.data_path(data_dir, config), read_only=True) as log:
        found = references(log, board)
    if not found and not json_:
        of = f" for {board}" if board else ""
        typer.echo(f"no references{of}; `benchd reference add TRACE` makes the trace of a good board one")
    for one in found:
        out.emit(_record(one), f"{one.board}  {one.trace}  {job_cli.when(one.added_ns)}  {one.note}".rstrip(), json_)


@app.command()
def remove(
    trace: Annotated[str, typer.Argument(help="The trace; it stays filed.")],
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """Take a trace off the references. Example: benchd reference remove ID"""
    import msgspec

    from benchd.store.reference_rows import Reference, ReferenceFault, remove_reference

    folder = job_cli.data_path(data_dir, config)
    if url := daemon_link.daemon_url(folder):
        with out.errors(daemon_link.DaemonSaid):
            answer = daemon_link.call(url, "DELETE", f"references/{quote(trace, safe='')}?by=command-line")
        gone = msgspec.convert(answer, Reference)
    else:
        with job_cli.the_log(folder, read_only=False) as log, out.errors(ReferenceFault):
            gone = remove_reference(log, trace, "command-line")
    out.emit(_record(gone), f"trace {gone.trace} is no reference for {gone.board} any more", json_)


def _keep(board: str, filed: int) -> str:
    """That findings stay as they were filed, and how to see which would be others now."""
    if not filed:
        return ""
    traces = "1 filed trace of that board keeps the finding it was" if filed == 1 else (
        f"{filed} filed traces of that board keep the findings they were"
    )  # fmt: skip
    replay = f"benchd replay --board {shlex.quote(board)} --only-changed"
    return f"\n  {traces} filed with; `{replay}` lists what reads otherwise now"


def _record(reference: Reference) -> dict[str, Any]:
    import msgspec

    return dict(msgspec.to_builtins(reference))
