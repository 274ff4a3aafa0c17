"""`benchd job`: jobs, the job on the bench, and its journal."""

from __future__ import annotations

import datetime
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from benchd.cli import daemon_link, out, words
from benchd.cli.journal_words import journal_words

if TYPE_CHECKING:
    from pydantic import BaseModel

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


def log_file(folder: Path) -> Path:
    """The file of the log in that folder."""
    from benchd.store.holding import LOG_FILE

    return folder / LOG_FILE


def log_there(folder: Path) -> Path:
    """The same; ends the command when there is none, before anything makes an empty one in a folder that is a slip."""
    path = log_file(folder).absolute()
    if not path.exists():
        out.fail(f"{path}: no such log; the daemon makes it when it starts")
    return path


@contextmanager
def the_log(folder: Path, *, read_only: bool) -> Iterator[Log]:
    """The log in that folder; ends the command when it cannot be used."""
    from benchd.store.log import Log, LogError

    # An argument that is no text in this locale cannot be looked up either: UnicodeEncodeError.
    with out.errors(LogError, UnicodeEncodeError), Log.open(log_file(folder), read_only=read_only) as log:
        yield log


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
        with the_log(folder, read_only=False) as log:
            log.set_current_job(id)
    out.emit({"job": id}, f"on the bench: {id or 'no job'}", json_)


@app.command("list")
def list_(
    data_dir: Annotated[Path | None, DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """All jobs, newest first. Example: benchd job list"""
    with the_log(data_path(data_dir, config), read_only=True) as log:
        current = log.current_job()
        jobs = log.jobs(limit=-1)
        if not jobs and not json_:
            typer.echo("no jobs yet; `benchd job new` takes a device in")
        for job in jobs:
            out.emit(job_record(job, current), job_line(job, current), json_)


@app.command()
def show(
    id: Annotated[str, typer.Argument(help="The job.")],
    data_dir: Annotated[Path | None, DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """A job and its journal, oldest line first. Example: benchd job show R-1042"""
    with the_log(data_path(data_dir, config), read_only=True) as log:
        job = log.job(id)
        if job is None:
            out.fail(f"job {id!r} is not in this log; `benchd job list` shows what is")
        record = job_record(job, log.current_job())
        out.emit({"kind": "job", **record}, job_line(job, log.current_job()), json_)
        for entry in log.journal(job=id, limit=-1):
            out.emit(_entry_record(entry), _entry_line(entry), json_)


@app.command()
def note(
    text: Annotated[str, typer.Argument(help="What was done or seen.")],
    id: Annotated[str | None, typer.Option("--job", help="Without it the job on the bench.")] = None,
    data_dir: Annotated[Path | None, DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """Write a line into the journal. Example: benchd job note "cleaned around the charger chip" """
    from benchd.web.bodies import NoteBody

    body = checked(NoteBody, {"text": text} | ({"job": id} if id else {}))
    folder = data_path(data_dir, config)
    if url := daemon_link.daemon_url(folder):
        with out.errors(daemon_link.DaemonSaid):
            entry = daemon_link.call(url, "POST", "journal", body)
        out.emit(entry, "noted", json_)
        return
    with the_log(folder, read_only=False) as log:
        job = id or log.current_job()
        if job is None:
            out.fail("no job is on the bench: name one with --job, or put one there with `benchd job use`")
        if log.job(job) is None:
            out.fail(f"job {job!r} is not in this log; `benchd job list` shows what is")
        out.emit(_entry_record(log.add_entry("note", job=job, payload={"text": text})), "noted", json_)


def checked(body: type[BaseModel], values: dict[str, Any]) -> dict[str, Any]:
    """The values, which the API would take as well; ends the command otherwise."""
    from pydantic import ValidationError

    try:
        body.model_validate(values)
    except ValidationError as e:
        out.fail("\n".join(f"{'.'.join(map(str, fault['loc']))}: {fault['msg']}" for fault in e.errors()))
    return values


def when(t_ns: int) -> str:
    """Local date and time, to the second."""
    return datetime.datetime.fromtimestamp(t_ns / 1e9).strftime("%Y-%m-%d %H:%M:%S")


def job_record(job: Job, current: str | None) -> dict[str, Any]:
    """A job, and whether it is on the bench."""
    import msgspec

    return {**msgspec.to_builtins(job), "on_bench": job.id == current}


def job_line(job: Job, current: str | None) -> str:
    """A job as one line of a list; a star: it is on the bench."""
    words = [w for w in (job.device, job.board, " ".join(job.symptom.split())) if w]
    mark = "*" if job.id == current else " "
    return f"{mark} {job.id}  {when(job.created_ns)}  {job.state:<13}  {' | '.join(words)}"


def _entry_record(entry: JournalEntry) -> dict[str, Any]:
    import msgspec

    return dict(msgspec.to_builtins(entry))


def _entry_line(entry: JournalEntry) -> str:
    p = entry.payload
    match entry.kind:
        case "output":
            said = f"{entry.supply} channel {entry.channel}: {words.output_words(p)}"
        case "link":
            said = f"{entry.supply}: {words.link_words(p)}"
        case "trip":
            said = words.trip_words(p)
        case "re-arm" | "advance" | "quiet-hours":
            said = f"{entry.supply} channel {entry.channel}: {words.person_words(entry.kind, p)}"
        case "trace" | "finding":
            said = f"{entry.trace} {words.finding_words(p.get('finding') or {})}"
        case "consent":
            said = f"{entry.supply}: consent to unverified profile {p['profile']}, given by {p['who'] or 'somebody'}"
        case "mark":
            said = f"{entry.trace} {p['text']}"
        case "job-created":
            said = "taken in"
        case "job-chosen":
            said = "put on the bench"
        case "step":
            said = f"{journal_words(entry.kind, p)} (entry {entry.seq})"
        case _:
            said = journal_words(entry.kind, p) or p.get("text") or ""
    return f"  {when(entry.t_ns)}  {entry.kind:<11}  {said}".rstrip()
