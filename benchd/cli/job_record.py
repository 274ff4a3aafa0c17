"""`benchd job new`, `edit`, `state` and `find`: devices are taken in, changed and found again."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from benchd.cli import daemon_link, out
from benchd.cli import job as job_cli

if TYPE_CHECKING:
    from benchd.jobs.job import Job
    from benchd.store.log import Log

BY = "command line"
"""Who, where no daemon runs that knows better."""
TEXT = typer.Option(help="What the customer says.")
HISTORY = typer.Option(help="What happened to it before.")
WANTED = typer.Option(help="What the owner needs back.")
BATTERY = typer.Option(help="in, out, swollen, none or unknown.")
WITH_IT = typer.Option(help="What came with it.")
CONSENT = typer.Option(help="A risk that the owner has consented to, as data-loss; may be given several times.")


def new(
    id: Annotated[str | None, typer.Argument(help="The shop's own number, e.g. R-1042; without it the next.")] = None,
    device: Annotated[str, typer.Option(help="What it is.")] = "",
    board: Annotated[str, typer.Option(help="Kind of board: what references go by.")] = "",
    symptom: Annotated[str, TEXT] = "",
    history: Annotated[str, HISTORY] = "",
    wanted_back: Annotated[str, WANTED] = "",
    battery: Annotated[str, BATTERY] = "",
    accessories: Annotated[str, WITH_IT] = "",
    consent: Annotated[list[str] | None, CONSENT] = None,
    use: Annotated[bool, typer.Option("--use", help="Put it on the bench at once.")] = False,
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """Take a device in. Example: benchd job new R-1042 --device "phone, blue" --symptom "no start" --use"""
    from benchd.jobs.job import JobError, check_job_id
    from benchd.web.record_bodies import JobBody

    if id is not None:
        with out.errors(JobError):
            check_job_id(id)
    said = _said(
        device=device, board=board, symptom=symptom, history=history, wanted_back=wanted_back, battery=battery,
        accessories=accessories, consent=consent,
    )  # fmt: skip
    body = job_cli.checked(JobBody, said | ({"id": id} if id else {}))
    folder = job_cli.data_path(data_dir, config)
    if url := daemon_link.daemon_url(folder):
        with out.errors(daemon_link.DaemonSaid):
            record = daemon_link.call(url, "POST", "jobs", body)
            if use:
                daemon_link.call(url, "PUT", "bench/job", {"job": record["id"]})
    else:
        record = _taken_in(folder, config, body, use)
    out.emit(record, f"job {record['id']} taken in" + (", on the bench" if use else ""), json_)


def edit(
    id: Annotated[str, typer.Argument(help="The job.")],
    device: Annotated[str | None, typer.Option(help="What it is.")] = None,
    board: Annotated[str | None, typer.Option(help="Kind of board: what references go by.")] = None,
    symptom: Annotated[str | None, TEXT] = None,
    history: Annotated[str | None, HISTORY] = None,
    wanted_back: Annotated[str | None, WANTED] = None,
    battery: Annotated[str | None, BATTERY] = None,
    accessories: Annotated[str | None, WITH_IT] = None,
    consent: Annotated[list[str] | None, CONSENT] = None,
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """Correct what is known of a job; what is not given stays. Example: benchd job edit R-1042 --battery out"""
    from benchd.web.record_bodies import JobChangeBody

    said = _said(
        device=device, board=board, symptom=symptom, history=history, wanted_back=wanted_back, battery=battery,
        accessories=accessories, consent=consent,
    )  # fmt: skip
    if not said:
        out.fail("say what becomes other, for example --battery out; `benchd job edit --help` lists the fields", 2)
    body = job_cli.checked(JobChangeBody, said)

    def write(log: Log) -> Job:
        from benchd.store.job_changes import change_job

        return change_job(log, id, JobChangeBody.model_validate(body).changes(), BY)

    record = _changed(job_cli.data_path(data_dir, config), "PATCH", f"jobs/{id}", body, write)
    out.emit(record, f"job {id}: {', '.join(sorted(said))} changed", json_)


def state(
    id: Annotated[str, typer.Argument(help="The job.")],
    now: Annotated[str, typer.Argument(help="Where the repair stands: looking, waiting-parts, ready ...")],
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """Say where a repair stands. Example: benchd job state R-1042 ready"""
    from benchd.jobs.choices import STATES
    from benchd.web.record_bodies import StateBody

    body = job_cli.checked(StateBody, {"state": now})

    def write(log: Log) -> Job:
        from benchd.store.job_changes import set_state

        return set_state(log, id, StateBody.model_validate(body).state, BY)

    record = _changed(job_cli.data_path(data_dir, config), "PUT", f"jobs/{id}/state", body, write)
    out.emit(record, f"job {id}: {STATES[record['state']].lower()}", json_)


def find(
    text: Annotated[str, typer.Argument(help="Words of its id, device, board, symptom, history, in any case.")] = "",
    in_state: Annotated[str | None, typer.Option("--state", help="Only in this state.")] = None,
    board: Annotated[str | None, typer.Option(help="Only of this kind of board.")] = None,
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """Find jobs, newest first. Example: benchd job find "blue phone" --state waiting-parts"""
    from benchd.web.record_bodies import JobsQuery

    asked = {"text": text} | {k: v for k, v in (("state", in_state), ("board", board)) if v is not None}
    job_cli.checked(JobsQuery, asked)
    with job_cli.the_log(job_cli.data_path(data_dir, config), read_only=True) as log:
        current = log.current_job()
        found = log.find_jobs(text, state=in_state, board=board, limit=-1)
        if not found and not json_:
            typer.echo("no job is like that; `benchd job list` shows all")
        for job in found:
            out.emit(job_cli.job_record(job, current), job_cli.job_line(job, current), json_)


def _said(**given: Any) -> dict[str, Any]:
    return {key: value for key, value in given.items() if value not in (None, [])}


def _taken_in(folder: Path, config: Path | None, body: dict[str, Any], use: bool) -> dict[str, Any]:
    import msgspec

    from benchd.jobs.job import Job
    from benchd.settings_jobs import JobSettings
    from benchd.store.job_changes import add_made_job

    there = config is not None or out.config_path(None).exists()
    pattern = (out.settings(config).jobs if there else JobSettings()).id_pattern
    said = {"id": ""} | body | {"consent": tuple(body.get("consent", ())), "created_ns": time.time_ns()}
    job = Job(**said)
    with job_cli.the_log(folder, read_only=False) as log, log.transaction():
        made = log.add_job(job, BY) if job.id else add_made_job(log, job, pattern, BY)
        if use:
            log.set_current_job(made.id)
    return dict(msgspec.to_builtins(made))


def _changed(folder: Path, method: str, path: str, body: dict[str, Any], write: Callable[[Log], Job]) -> dict[str, Any]:
    """Change a job, through the daemon, if one runs; the job as it is then."""
    import msgspec

    if url := daemon_link.daemon_url(folder):
        with out.errors(daemon_link.DaemonSaid):
            return dict(daemon_link.call(url, method, path, body))
    job_cli.log_there(folder)
    with job_cli.the_log(folder, read_only=False) as log:
        return dict(msgspec.to_builtins(write(log)))
