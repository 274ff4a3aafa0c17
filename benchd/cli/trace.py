"""`benchd trace`: filed traces, import and export as CSV, and reading a file without any daemon."""

from __future__ import annotations

import secrets
import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from benchd.cli import job as job_cli
from benchd.cli import out

if TYPE_CHECKING:
    from benchd.store.log import TraceRow
    from benchd.traces.trace import Finding

app = typer.Typer(help="Filed traces, CSV import and export, readings of files.", no_args_is_help=True,
                  rich_markup_mode=None)  # fmt: skip


@app.command()
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
        out.emit({"file": str(file), **finding_record(finding)}, f"{file}\n{finding_text(finding)}", json_)
    if bad:
        raise typer.Exit(1)


@app.command("list")
def list_(
    job: Annotated[str | None, typer.Option(help="Only this job's.")] = None,
    limit: Annotated[int, typer.Option(min=1, max=100_000, help="How many, newest first.")] = 50,
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """Filed traces, newest first. Example: benchd trace list --job R-1042"""
    with job_cli.the_log(job_cli.data_path(data_dir, config), read_only=True) as log:
        rows = log.traces(job=job, limit=limit)
        if not rows and not json_:
            typer.echo("no traces" + (f" of job {job}" if job else "") + " in this log")
        for row in rows:
            out.emit(trace_record(row), trace_line(row), json_)


@app.command()
def show(
    id: Annotated[str, typer.Argument(help="The trace.")],
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """A trace with its finding. Example: benchd trace show ID"""
    with job_cli.the_log(job_cli.data_path(data_dir, config), read_only=True) as log:
        row = log.trace(id)
    if row is None:
        out.fail(f"trace {id!r} is not in this log; `benchd trace list` shows what is")
    text = trace_line(row) + ("\n" + finding_text(row.finding) if row.finding else "")
    out.emit(trace_record(row) | ({"finding": finding_record(row.finding)} if row.finding else {}), text, json_)


@app.command("import")
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
    out.emit(trace_record(row), trace_line(row), json_)


@app.command()
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


def finding_record(finding: Finding) -> dict[str, Any]:
    """A finding as one JSON object: signature, confidence, evidence, button_s, alternatives, and the rest."""
    import msgspec

    whole = msgspec.to_builtins(finding)
    first = ("signature", "confidence", "evidence", "button_s", "alternatives")
    return {k: whole[k] for k in first} | {k: v for k, v in whole.items() if k not in first}


def finding_text(finding: Finding) -> str:
    """A finding for the terminal."""
    lines = [f"  {finding.signature}, confidence {finding.confidence:.0%}"]
    lines += [f"    evidence: {e.text}" for e in finding.evidence]
    lines += [f"    or: {a.signature} ({a.confidence:.0%}) {a.tell_apart}".rstrip() for a in finding.alternatives]
    lines += [f"    next: {n}" for n in finding.next_checks]
    lines += [f"    caution: {c}" for c in finding.cautions]
    return "\n".join(lines)


def trace_record(row: TraceRow) -> dict[str, Any]:
    """A trace's row as one JSON object, numbers with their units in the names."""
    return {
        "trace": row.id,
        "job": row.job,
        "supply": row.supply,
        "channel": row.channel,
        "start_ns": row.start_ns,
        "duration_s": round((row.end_ns - row.start_ns) / 1e9, 6),
        "reason": row.reason,
        "signature": row.finding.signature if row.finding else None,
        "confidence": row.finding.confidence if row.finding else None,
        "readings": row.readings,
        "peak_a": row.peak_a,
        "charge_c": row.charge_c,
        "energy_j": row.energy_j,
    }


def trace_line(row: TraceRow) -> str:
    """A trace's row for the terminal."""
    said = f"{row.finding.signature} ({row.finding.confidence:.0%})" if row.finding else "no finding"
    seconds = (row.end_ns - row.start_ns) / 1e9
    return (
        f"{row.id}  {job_cli.when(row.start_ns)}  job {row.job or '-'}  {said}  "
        f"peak {row.peak_a:.3f} A, {row.energy_j:.3f} J in {seconds:.1f} s, {row.readings} readings"
    )
