"""`benchd trip`: the trips in the log, each with its figures, its picture and a report."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from benchd.cli import job as job_cli
from benchd.cli import out

if TYPE_CHECKING:
    from benchd.store.log import Log, StoredTrip

app = typer.Typer(help="Trips: why, how soon, what was let through; pictures and reports.", no_args_is_help=True,
                  rich_markup_mode=None)  # fmt: skip

NUMBER = Annotated[int, typer.Argument(min=1, help="The trip's number, as `benchd trip list` shows it.")]


@app.command("list")
def list_(
    job: Annotated[str | None, typer.Option(help="Only this job's.")] = None,
    limit: Annotated[int, typer.Option(min=1, max=100_000, help="How many, newest first.")] = 50,
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """Trips, newest first. Example: benchd trip list --job R-1042"""
    with job_cli.the_log(job_cli.data_path(data_dir, config), read_only=True) as log:
        trips = log.trips(job=job, limit=limit)
    if not trips and not json_:
        typer.echo("no trips" + (f" of job {job}" if job else "") + " in this log")
    for trip in trips:
        out.emit(_record(trip), _line(trip), json_)


@app.command()
def show(
    number: NUMBER,
    picture: Annotated[Path | None, typer.Option(help="Draw it into this file: .svg or .png.")] = None,
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """One trip with its figures. Example: benchd trip show 3 --picture trip.svg"""
    from benchd.traces.trip_words import advice, figure_rows

    kind = None if picture is None else out.picture_kind(picture)
    with job_cli.the_log(job_cli.data_path(data_dir, config), read_only=True) as log:
        trip = _found(log, number)
    record = _record(trip)
    if picture is not None and kind is not None:
        out.write(picture, _drawn(trip, kind))
        record["picture"] = str(picture)
    lines = [_line(trip), *(f"  {label + ':':<20} {text}" for label, text in figure_rows(trip.figures)[1:])]
    lines += [f"  next: {check}" for check in advice(trip.tripped.rule).checks]
    lines += [f"  picture: {picture}"] if picture else []
    out.emit(record, "\n".join(lines), json_)


@app.command()
def report(
    number: NUMBER,
    to: Annotated[Path, typer.Option("--out", help="HTML file to write; it needs no other file.")],
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """A page for the customer and the next technician. Example: benchd trip report 3 --out trip.html"""
    from benchd.traces.trip_report import report as page

    with job_cli.the_log(job_cli.data_path(data_dir, config), read_only=True) as log:
        trip = _found(log, number)
        job = log.job(trip.job) if trip.job else None
        plan = _plan_name(log, trip)
    filed = [
        ("job", trip.job or "none"),
        ("device", job.device if job else ""),
        ("board", job.board if job else ""),
        ("at", job_cli.when(trip.tripped.detected_ns)),
        ("supply", f"{trip.supply}, channel {trip.channel}"),
        ("plan", plan),
        ("trace", trip.trace or ""),
    ]
    html = page(_heading(trip), filed, trip.figures, _drawn(trip, "svg"), _cautions(trip, plan, config))
    out.write(to, html.encode())
    out.emit({"trip": number, "file": str(to)}, f"trip {number} written to {to}", json_)


def _found(log: Log, number: int) -> StoredTrip:
    trip = log.trip(number)
    if trip is None:
        out.fail(f"trip {number} is not in this log; `benchd trip list` shows what is")
    return trip


def _drawn(trip: StoredTrip, kind: Literal["svg", "png"]) -> bytes:
    from benchd.traces.trip_picture import picture

    return picture(trip.tripped, _heading(trip), kind)


def _heading(trip: StoredTrip) -> str:
    return f"Trip {trip.number}: {trip.tripped.rule}" + (f", job {trip.job}" if trip.job else "")


def _plan_name(log: Log, trip: StoredTrip) -> str:
    """Of the power-on that tripped, as the journal has it; empty where it does not."""
    before = False
    for entry in reversed(log.journal(kinds=["output", "trip"])):
        before = before or (entry.kind == "trip" and entry.payload.get("trip") == trip.number)
        here = (entry.supply, entry.channel) == (trip.supply, trip.channel)
        if before and here and entry.payload.get("output") == "on":
            return str(entry.payload.get("plan") or "")
    return ""


def _cautions(trip: StoredTrip, plan: str, config: Path | None) -> list[str]:
    """Of its plan as it is now; else of one with the voltage and limit that the output had; none where not known."""
    from pydantic import ValidationError

    from benchd.cli.plans import find
    from benchd.plans.cautions import cautions
    from benchd.plans.plan import Plan

    if plan and (found := find(plan, config)) is not None:
        return cautions(found)
    if trip.tripped.stage == "probe":
        return []  # its voltage says nothing of what the board is made for
    try:
        return cautions(Plan(name="as-set", voltage_v=trip.tripped.set_voltage_v, limit_a=trip.tripped.limit_a))
    except ValidationError:
        return []


def _record(trip: StoredTrip) -> dict[str, Any]:
    """A trip as one JSON object, numbers with their units in the names."""
    return {
        "trip": trip.number,
        "job": trip.job,
        "trace": trip.trace,
        "supply": trip.supply,
        "channel": trip.channel,
        **trip.figures,
    }


def _line(trip: StoredTrip) -> str:
    """A trip for the terminal."""
    from benchd.cli.words import trip_words
    from benchd.traces.trip_words import quantity

    figures = trip.figures
    energy = quantity(figures["let_through_j"], "J", figures.get("let_through_j_u"))
    return (
        f"{trip.number:>4}  {job_cli.when(trip.tripped.detected_ns)}  job {trip.job or '-'}  "
        f"{trip.supply}/{trip.channel}  {trip_words(figures)}, {energy} let through"
    )
