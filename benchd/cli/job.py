"""`benchd job`: jobs, the job on the bench, and its journal."""

from __future__ import annotations

import datetime
import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from benchd.cli import daemon_link, out

if TYPE_CHECKING:
    from benchd.jobs.job import Job, JournalEntry
    from benchd.store.log import Log

app = typer.Typer(help="Jobs, the job on the bench, and its journal.", no_args_is_help=True, rich_markup_mode=None)

DATA = typer.Option("--data-dir", help="Folder of the log; without it the settings' one.")


def data_path(given: Path | None, config: Path | None) -> Path:
    """Folder of the log: as given, else as the settings say, else the user's own."""
    if given is not None:
        return given
    path = out.config_path(config)
    if config is not None or path.exists():
        return out.settings(path).data_path
    import platformdirs

    return platformdirs.user_data_path("benchd")


def open_log(folder: Path, *, read_only: bool) -> Log:
    """The log in that folder; ends the command when it cannot be opened."""
    from benchd.store.log import Log, LogError

    file = folder / "benchd.sqlite"
    if read_only and not file.exists():
        out.fail(f"{file}: no log there yet; run the daemon or `benchd job new` first")
    folder.mkdir(parents=True, exist_ok=True)
    with out.errors(LogError):
        return Log.open(file, read_only=read_only)


@app.command()
def new(
    id: Annotated[str, typer.Argument(help="The shop's own number, e.g. R-1042.")],
    device: Annotated[str, typer.Option(help="What it is.")] = "",
    board: Annotated[str, typer.Option(help="Kind of board: what references go by.")] = "",
    symptom: Annotated[str, typer.Option(help="What the customer says.")] = "",
    use: Annotated[bool, typer.Option("--use", help="Put it on the bench at once.")] = False,
    data_dir: Annotated[Path | None, DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """Take a device in. Example: benchd job new R-1042 --device "phone, blue" --symptom "no start" --use"""
    import msgspec

    from benchd.jobs.job import Job, JobError, check_job_id

    with out.errors(JobError):
        check_job_id(id)
    job = Job(id, device, board, symptom, time.time_ns())
    folder = data_path(data_dir, config)
    if url := daemon_link.daemon_url(folder):
        body = {"id": id, "device": device, "board": board, "symptom": symptom}
        with out.errors(daemon_link.DaemonSaid):
            daemon_link.call(url, "POST", "jobs", body)
            if use:
                daemon_link.call(url, "PUT", "bench/job", {"job": id})
    else:
        from benchd.store.log import LogError

        log = open_log(folder, read_only=False)
        try:
            with out.errors(LogError, JobError):
                log.add_job(job)
                if use:
                    log.set_current_job(id)
        finally:
            log.close()
    out.emit(msgspec.to_builtins(job), f"job {id} taken in" + (", on the bench" if use else ""), json_)


@app.command()
def use(
    id: Annotated[str | None, typer.Argument(help="The job; none takes the present one off the bench.")] = None,
    data_dir: Annotated[Path | None, DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """Put a job on the bench: the next trace is filed under it. Example: benchd job use R-1042"""
    folder = data_path(data_dir, config)
    if url := daemon_link.daemon_url(folder):
        with out.errors(daemon_link.DaemonSaid):
            daemon_link.call(url, "PUT", "bench/job", {"job": id})
    else:
        from benchd.store.log import LogError

        log = open_log(folder, read_only=False)
        try:
            with out.errors(LogError):
                log.set_current_job(id)
        finally:
            log.close()
    out.emit({"job": id}, f"on the bench: {id or 'no job'}", json_)


@app.command("list")
def list_(
    data_dir: Annotated[Path | None, DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """All jobs, newest first. Example: benchd job list"""
    log = open_log(data_path(data_dir, config), read_only=True)
    try:
        current = log.current_job()
        for job in log.jobs():
            out.emit(_job_record(job, current), _job_line(job, current), json_)
    finally:
        log.close()


@app.command()
def show(
    id: Annotated[str, typer.Argument(help="The job.")],
    data_dir: Annotated[Path | None, DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """A job and its journal, oldest line first. Example: benchd job show R-1042"""
    log = open_log(data_path(data_dir, config), read_only=True)
    try:
        job = log.job(id)
        if job is None:
            out.fail(f"job {id!r} is not in this log; `benchd job list` shows what is")
        record = _job_record(job, log.current_job())
        out.emit({"kind": "job", **record}, _job_line(job, log.current_job()), json_)
        for entry in sorted(log.journal(job=id, limit=10_000), key=lambda e: e.seq):
            out.emit(_entry_record(entry), _entry_line(entry), json_)
    finally:
        log.close()


@app.command()
def note(
    text: Annotated[str, typer.Argument(help="What was done or seen.")],
    id: Annotated[str | None, typer.Option("--job", help="Without it the job on the bench.")] = None,
    data_dir: Annotated[Path | None, DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """Write a line into the journal. Example: benchd job note "cleaned around the charger chip" """
    folder = data_path(data_dir, config)
    if url := daemon_link.daemon_url(folder):
        with out.errors(daemon_link.DaemonSaid):
            entry = daemon_link.call(url, "POST", "journal", {"text": text} | ({"job": id} if id else {}))
        out.emit(entry, "noted", json_)
        return
    log = open_log(folder, read_only=False)
    try:
        job = id or log.current_job()
        if job is None or log.job(job) is None:
            out.fail(
                f"job {job!r} is not in this log; name one with --job or put one on the bench with `benchd job use`"
            )
        written = log.add_entry("note", job=job, payload={"text": text})
        out.emit(_entry_record(written), "noted", json_)
    finally:
        log.close()


def when(t_ns: int) -> str:
    """Local date and time, to the second."""
    return datetime.datetime.fromtimestamp(t_ns / 1e9).strftime("%Y-%m-%d %H:%M:%S")


def _job_record(job: Job, current: str | None) -> dict[str, Any]:
    import msgspec

    return {**msgspec.to_builtins(job), "on_bench": job.id == current}


def _job_line(job: Job, current: str | None) -> str:
    words = [w for w in (job.device, job.board, job.symptom) if w]
    return f"{'*' if job.id == current else ' '} {job.id}  {when(job.created_ns)}  {' | '.join(words)}"


def _entry_record(entry: JournalEntry) -> dict[str, Any]:
    import msgspec

    return dict(msgspec.to_builtins(entry))


def _entry_line(entry: JournalEntry) -> str:
    p = entry.payload
    finding = p.get("finding") or {}
    said = p.get("text") or finding.get("signature") or p.get("signature") or ""
    return f"  {when(entry.t_ns)}  {entry.kind:<12} {entry.trace or ''} {said}".rstrip()
