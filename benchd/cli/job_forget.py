"""`benchd job forget`: a customer's data out of the log, the trace stays."""

from __future__ import annotations

import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from benchd.cli import daemon_link, out
from benchd.cli import job as job_cli
from benchd.cli.words import counted

if TYPE_CHECKING:
    from benchd.store.forgetting import Forgotten, Personal

DAEMON_S = 900.0
"""How long the daemon may take to write a large file anew."""


def forget(
    id: Annotated[str, typer.Argument(help="The job.")],
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Only say what would go.")] = False,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask whether to.")] = False,
    backups: Annotated[bool, typer.Option("--backups", help="In the log's known copies, too.")] = False,
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """Take a customer's data out of the log for good. Example: benchd job forget R-1042 --dry-run

    Gone are what was said of the device, its symptom and its past, the notes, the photos, and the job's id, in the
    place of which stands one at random. Kind of board, traces, marks, findings and trips stay. The file is written
    anew, so that no byte of it is left there; copies of it still hold what they hold, but for --backups.
    """
    from benchd.store.errors import LogError
    from benchd.store.forgetting import personal

    folder = job_cli.data_path(data_dir, config)
    with job_cli.the_log(folder, read_only=True) as log, out.errors(LogError):
        known = personal(log, id)
        sent = [f"{name} has sent points with the tag job={id}" for (name,) in log.rows(_SENT, (id,))]
    if dry_run:
        record = _found(known) | {"dry_run": True, "copies": [str(c) for c in _copies(folder, config, known)]}
        out.emit(
            record, "\n".join([*_said(known), *_copies_said(record["copies"]), "nothing was changed (dry run)"]), json_
        )
        return
    if not yes:
        _ask(known)
    done, left = _forget(folder, known)
    held, failed = _in_copies(folder, config, known, done, backups)
    record = _found(known) | {"job": done.job, "left": left, "copies": held, "failed": failed, "servers": sent}
    lines = [
        f"forgotten; the job is {done.job} from now on",
        *failed,
        *_copies_said(held, backups),
        *_servers_said(sent, id),
    ]
    out.emit(record, "\n".join([*lines, *([left] if left else [])]), json_)
    if left or failed:
        raise typer.Exit(1)


_SENT = """
SELECT name FROM cursors WHERE name LIKE '% readings' AND seq > 0 AND (
  EXISTS (SELECT 1 FROM blocks WHERE job = ?1 AND seq > 0) OR
  EXISTS (SELECT 1 FROM journal WHERE job = ?1 AND seq > 0 AND kind IN ('trip', 'trace', 'finding')))
"""
"""Followers that may have sent something of the job: what another bench has measured has numbers below 0, and is never
sent; but what was found here in a trace of such a job is."""


def _found(known: Personal) -> dict[str, Any]:
    return {"notes": len(known.notes), "photos": known.photos, "traces": known.traces, "rows": known.rows}


def _said(known: Personal) -> list[str]:
    from benchd.jobs.personal import TYPED_OF_JOB

    what = [field.replace("_", " ") for field in TYPED_OF_JOB if getattr(known.job, field)]
    photos = [counted(known.photos, "photo")] if known.photos else []
    gone = ", ".join([*what, f"{len(known.notes)} notes", *photos, "the id"])
    return [f"job {known.job.id}: {gone} would go; {known.traces} traces would stay, and {known.rows} rows of readings"]


def _ask(known: Personal) -> None:
    if not sys.stdin.isatty():
        out.fail("forgetting cannot be undone: say --yes, or look first with --dry-run", 2)
    typer.echo("\n".join(_said(known)), err=True)
    typer.confirm("forget it for good?", abort=True, err=True)


def _forget(folder: Path, known: Personal) -> tuple[Forgotten, str]:
    """Through the daemon, if one runs, since it owns the log; and what is left to be done."""
    from benchd.store.errors import LogDown, LogError
    from benchd.store.forgetting import Forgotten
    from benchd.store.forgetting import forget as forget_in
    from benchd.store.forgetting_files import clean, left_text
    from benchd.store.holding import held

    id = known.job.id
    if url := daemon_link.daemon_url(folder):
        with out.errors(daemon_link.DaemonSaid):
            said = daemon_link.call(url, "POST", f"jobs/{id}/forget", {"confirm": id}, within_s=DAEMON_S)
        done = Forgotten(said["job"], time.time_ns(), said["notes"], said["traces"], said["rows"], said["photos"])
        return done, str(said["left"])
    with out.errors(LogError, OSError), held(folder), job_cli.the_log(folder, read_only=False) as log:
        done = forget_in(log, id, time.time_ns())
        try:
            return done, left_text(clean(log, known))
        except (LogDown, OSError) as e:
            return done, f"the log's file may still hold deleted parts of it, since it could not be written anew: {e}"


def _copies(folder: Path, config: Path | None, known: Personal) -> list[Path]:
    """Known copies of the log in which it is found, by its id where that is one and no word like others."""
    from benchd.store.backup import known_backups
    from benchd.store.errors import LogError
    from benchd.store.forgetting_files import needles, residue
    from benchd.store.job_words import telling

    id = known.job.id
    path = out.config_path(config)
    set_ = out.settings(path).log.backup_dir if config is not None or path.exists() else ""
    with out.errors(LogError, OSError):
        copies = known_backups(job_cli.log_file(folder), Path(set_).expanduser() if set_ else None)
        return residue(copies, [id.encode()] if telling(id) else needles(known))


def _in_copies(
    folder: Path, config: Path | None, known: Personal, done: Forgotten, wanted: bool
) -> tuple[list[str], list[str]]:
    """Forget in the copies, if wanted: those that hold it still, and what went wrong."""
    from benchd.store.errors import LogError
    from benchd.store.forgetting_files import forget_in_copy

    failed = []
    for copy in _copies(folder, config, known) if wanted else ():
        try:
            forget_in_copy(copy, known.job.id, done)
        except LogError as e:
            failed.append(f"{e}; it is as it was")
    return [str(copy) for copy in _copies(folder, config, known)], failed


def _copies_said(copies: list[str], done: bool = False) -> list[str]:
    if done:
        return [f"{copy}: this copy of the log holds it still, or another job in it says the same" for copy in copies]
    return [f"{copy}: this copy of the log holds it; --backups forgets there, too" for copy in copies]


def _servers_said(sent: list[str], id: str) -> list[str]:
    """What servers have is the tag alone, and theirs to delete (the ways are those of the servers' own documents)."""
    if not sent:
        return []
    influxql = f"DELETE FROM supply_reading WHERE \"job\" = '{id}'"  # noqa: S608  (a sentence, and never run)
    return [
        *(f"{each}, and nothing else of the customer; to delete them there:" for each in sent),
        f"  InfluxDB 1.x: {influxql}; likewise from supply_trip and trace_finding",
        f'  InfluxDB 2.x: POST /api/v2/delete with the predicate job="{id}"',
        f'  VictoriaMetrics: /api/v1/admin/tsdb/delete_series?match[]={{job="{id}"}}',
    ]
