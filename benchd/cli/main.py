"""The command line: one file per command group. Nothing heavy is imported before a command needs it."""

from __future__ import annotations

import io
import sys

import typer

from benchd import __version__
from benchd.cli import (
    benches,
    checks,
    config,
    demo,
    job,
    job_forget,
    job_pack,
    job_photo,
    job_record,
    job_report,
    job_step,
    leads,
    log,
    make_safe,
    output,
    pair,
    plans,
    procedure,
    procedure_rehearse,
    procedure_run,
    reference,
    replay,
    run,
    service,
    signatures,
    sim,
    supplies,
    token,
    trace,
    trip,
)

app = typer.Typer(
    name="benchd",
    help="Drives bench supplies for board repair: safe limits, every power-up caught, shorts cut, traces read.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"benchd {__version__}")
        raise typer.Exit


@app.callback()
def _root(version: bool = typer.Option(False, "--version", callback=_version, is_eager=True, help="Print it.")) -> None:
    pass


app.command("run")(run.run)
app.command("demo", short_help="Five invented devices on a simulated supply, with the page.")(demo.demo)
app.command(
    "sim",
    short_help="A simulated supply of the family asked for, with boards on its outputs.",
    context_settings={"allow_extra_args": True, "ignore_unknown_options": True},
    add_help_option=False,
)(sim.sim)
app.command("make-safe")(make_safe.make_safe)
app.command("service", short_help="A systemd unit for these settings.")(service.service)
app.add_typer(supplies.app, name="supplies")
job.app.command("new")(job_record.new)
job.app.command("edit")(job_record.edit)
job.app.command("state")(job_record.state)
job.app.command("find")(job_record.find)
job.app.add_typer(job_photo.app, name="photo")
job.app.command("pack")(job_pack.pack)
job.app.command("unpack")(job_pack.unpack)
job.app.command("forget")(job_forget.forget)
job.app.command("step")(job_step.step)
job.app.command("steps")(job_step.steps)
job.app.command("step-back")(job_step.step_back)
job.app.command("report")(job_report.report)
app.add_typer(job.app, name="job")
app.add_typer(output.app, name="output")
app.add_typer(trace.app, name="trace")
app.add_typer(trip.app, name="trip")
app.add_typer(plans.app, name="plans")
app.add_typer(checks.app, name="checks")
procedure.app.command("run")(procedure_run.run)
procedure.app.command("answer")(procedure_run.answer)
procedure.app.command("point")(procedure_run.point)
procedure.app.command("done")(procedure_run.done)
procedure.app.command("stop")(procedure_run.stop)
procedure.app.command("reference")(procedure_run.reference)
procedure.app.command("rehearse")(procedure_rehearse.rehearse)
app.add_typer(procedure.app, name="procedure")
app.add_typer(leads.app, name="leads")
app.add_typer(reference.app, name="reference")
app.add_typer(signatures.app, name="signatures")
app.command("replay", short_help="What changed rules, plans or cards would have made of archived traces.")(
    replay.replay
)
app.add_typer(log.app, name="log")
app.command("benches", short_help="All benches of a broker on one page; only looks.")(benches.benches)
app.add_typer(token.app, name="token")
app.command("pair", short_help="A QR code that lets one phone in.")(pair.pair)
app.add_typer(config.app, name="config")


def main() -> None:
    """Entry point of the `benchd` command."""
    # A file name of another encoding, or µ on an old terminal, is shown escaped and does not end a command half-way.
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")
    app()
