"""`benchd trace`: filed traces; each command that does more than show them is in a file of its own."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from benchd.cli import job as job_cli
from benchd.cli import (
    moments,
    out,
    signatures,
    trace_compare,
    trace_export,
    trace_files,
    trace_mark,
    trace_plot,
    trace_read,
)
from benchd.cli import trace_words as words

app = typer.Typer(help="Filed traces, import and export of files, readings of files.", no_args_is_help=True,
                  rich_markup_mode=None)  # fmt: skip

app.command("read")(trace_read.read)
app.command("import")(trace_files.import_)
app.command("export")(trace_export.export)
app.command("mark")(trace_mark.mark)
app.command("plot")(trace_plot.plot)
app.command("compare")(trace_compare.compare)
app.command("nearest")(trace_compare.nearest)


@app.command("list")
def list_(
    job: Annotated[str | None, typer.Option(help="Only this job's.")] = None,
    board: Annotated[str | None, typer.Option(help="Only of this kind of board.")] = None,
    signature: Annotated[str | None, typer.Option(help="Only with this finding.")] = None,
    since: Annotated[str | None, typer.Option(help="Begun since: 2026-01-31, 2026-01-31T14:00, 30d, 12h.")] = None,
    until: Annotated[str | None, typer.Option(help="Begun before then.")] = None,
    limit: Annotated[int, typer.Option(min=1, max=100_000, help="How many, newest first.")] = 50,
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """Filed traces, newest first. Example: benchd trace list --board blue-phone --signature low-stall --since 30d"""
    since_ns = moments.moment_ns(since, "--since") if since else None
    until_ns = moments.moment_ns(until, "--until") if until else None
    with job_cli.the_log(job_cli.data_path(data_dir, config), read_only=True) as log:
        rows = log.traces(job, limit, board=board, signature=signature, since_ns=since_ns, until_ns=until_ns)
        if not rows and not json_:
            given = (("job", job), ("board", board), ("signature", signature), ("since", since), ("until", until))
            asked = ", ".join(f"{what} {value}" for what, value in given if value)
            typer.echo(f"no traces in this log{f' with {asked}' if asked else ''}")
        for row in rows:
            out.emit(words.trace_record(row), words.trace_line(row), json_)


@app.command()
def show(
    id: Annotated[str, typer.Argument(help="The trace.")],
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """A trace with its finding as filed, and what it reads as today where that differs. Example: benchd trace show ID

    Today's reading is with the references of its board and your own cards, as they are now.
    """
    from benchd.store.reference_rows import band_for
    from benchd.traces.filed import read_anew
    from benchd.traces.signatures import read_trace

    with job_cli.the_log(job_cli.data_path(data_dir, config), read_only=True) as log:
        row, whole = log.trace(id), log.whole_trace(id)
        band = band_for(log, row) if row is not None else None
    if row is None:
        out.fail(f"trace {id!r} is not in this log; `benchd trace list` shows what is")
    record, lines = words.trace_record(row), [words.trace_line(row)]
    if row.finding:
        record["finding"] = words.finding_record(row.finding)
    now = read_trace(whole, signatures.shelf_of(None, config, data_dir), band) if whole is not None else None
    told = read_anew(row.finding, now.signature, now.confidence, band) if now is not None else ""
    if now is not None:
        record["read_anew"] = words.finding_record(now) | {"references": len(band.curves) if band is not None else 0}
    if told:
        lines.append(f"  {told}")
    if (shown := now if told else row.finding) is not None:
        lines.append(words.finding_text(shown))
    out.emit(record, "\n".join(lines), json_)
