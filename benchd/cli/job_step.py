"""`benchd job step`, `steps` and `step-back`: what was done to the board."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from benchd.cli import daemon_link, out
from benchd.cli import job as job_cli
from benchd.cli.journal_words import journal_words

if TYPE_CHECKING:
    from collections.abc import Callable

    from benchd.store.log import Log

BY = "command line"
"""Who, where no daemon runs that knows better."""
JOB = typer.Option("--job", help="Without it the job on the bench.")


def step(
    kind: Annotated[str, typer.Argument(help="What was done, as `benchd job steps` lists it: cleaned, reflowed ...")],
    detail: Annotated[str, typer.Option(help="Where, which part, which error.")] = "",
    text: Annotated[str, typer.Option(help="In your own words.")] = "",
    minutes: Annotated[float | None, typer.Option(help="How long it took.")] = None,
    effect: Annotated[
        str | None, typer.Option(help="First trace that shows what came of it; without it the next one.")
    ] = None,
    anyway: Annotated[bool, typer.Option("--anyway", help="Though checks that come first are open.")] = False,
    id: Annotated[str | None, JOB] = None,
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """Write down what was done. Example: benchd job step reflowed --detail "charger chip" """
    from benchd.web.step_bodies import StepBody

    given = {"detail": detail, "text": text, "minutes": minutes, "effect": effect, "anyway": anyway}
    body = job_cli.checked(StepBody, {"step": kind} | {key: value for key, value in given.items() if value})
    folder = job_cli.data_path(data_dir, config)

    def write(log: Log) -> Any:
        from benchd.jobs.checklist_folder import checklist_folder
        from benchd.jobs.steps import StepsFile
        from benchd.store.step_entries import Done, add_step

        kinds, lists = StepsFile(folder / "steps.toml").read(), checklist_folder(folder / "checklists").read()
        return add_step(log, job_of(log, id), Done(by=BY, **body), kinds, lists)

    entry = changed(folder, id, "POST", "steps", body, write)
    out.emit(entry, f"entry {entry['seq']}: {journal_words('step', entry['payload'])}", json_)


def steps(
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """The kinds of steps to choose from. Example: benchd job steps"""
    from benchd.jobs.steps import StepsFile

    found = StepsFile(job_cli.data_path(data_dir, config) / "steps.toml").read()
    for each, origin in found.offered:
        waits = f" ({each.checks_first} checks come first)" if each.checks_first else ""
        asks = f"  {each.ask}" if each.ask else ""
        out.emit({**each.model_dump(), "origin": origin}, f"{each.id}: {each.label}{waits}{asks}", json_)
    for fault in found.faults:
        typer.echo(f"benchd: {fault}", err=True)


def step_back(
    entry: Annotated[int, typer.Argument(help="Number of the step's entry, as `benchd job step` told it.")],
    id: Annotated[str | None, JOB] = None,
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """Take a step back that was written down by mistake; the journal keeps both. Example: benchd job step-back 412"""

    def write(log: Log) -> Any:
        from benchd.store.step_entries import take_back

        return take_back(log, job_of(log, id), entry, BY)

    made = changed(job_cli.data_path(data_dir, config), id, "POST", f"steps/{entry}/take-back", None, write)
    out.emit(made, journal_words("step-taken-back", made["payload"]) or "", json_)


def changed(
    folder: Path, id: str | None, method: str, path: str, body: dict[str, Any] | None, write: Callable[[Log], Any]
) -> Any:
    """A change of a job's journal by the daemon, or in the log where none runs; ends the command when it is refused.

    `path`: below the job's own; `id`: None for the job on the bench.
    """
    import msgspec

    from benchd.store.step_entries import StepError

    if url := daemon_link.daemon_url(folder):
        with out.errors(daemon_link.DaemonSaid):
            job = id or daemon_link.call(url, "GET", "bench")["job"] or _no_job()
            return daemon_link.call(url, method, f"jobs/{job}/{path}", body)
    with job_cli.the_log(folder, read_only=False) as log, out.errors(StepError), log.transaction():
        return msgspec.to_builtins(write(log))


def job_of(log: Log, id: str | None) -> str:
    """The job that is meant; ends the command when none is on the bench."""
    return id or log.current_job() or _no_job()


def _no_job() -> str:
    out.fail("no job is on the bench: name one with --job, or put one there with `benchd job use`")
