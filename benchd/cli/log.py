"""`benchd log`: the file that everything is kept in; each command that does more than look is in a file of its own."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from benchd.cli import job as job_cli
from benchd.cli import log_backup, log_check, log_rejected, log_thin, log_upgrade, out
from benchd.cli.words import counted

if TYPE_CHECKING:
    from benchd.store.log import Log

app = typer.Typer(help="The log's file: what is in it, whether it is sound, copies of it.", no_args_is_help=True,
                  rich_markup_mode=None)  # fmt: skip

app.command("check")(log_check.check)
app.command("backup")(log_backup.backup)
app.command("restore")(log_backup.restore)

app.command("upgrade")(log_upgrade.upgrade)
app.command("thin")(log_thin.thin)
app.command("compact")(log_thin.compact)
app.command("rejected")(log_rejected.rejected)


@app.command()
def info(
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """How large the log is, what is in it and since when. Example: benchd log info"""
    with job_cli.the_log(job_cli.data_path(data_dir, config), read_only=True) as log:
        record = _record(log)
    out.emit(record, "\n".join(_lines(record)), json_)


def _record(log: Log) -> dict[str, Any]:
    """What is in the file, as one JSON object; times in ns since the epoch, sizes in bytes."""
    from benchd.store import migrations
    from benchd.store.room import file_bytes

    ((rows, readings, first_ns, last_ns),) = log.rows("SELECT count(*), sum(n), min(t0_ns), max(t1_ns) FROM blocks")
    counts = {what: log.rows(f"SELECT count(*) FROM {what}")[0][0] for what in ("jobs", "traces", "trips", "journal")}  # noqa: S608
    return {
        "file": str(log.path),
        "log": log.log_id,
        "version": len(migrations.STEPS),
        "bytes": file_bytes(log.path),
        "disk_free_bytes": shutil.disk_usage(log.path.parent).free,
        **counts,
        "rows": rows,
        "readings": readings or 0,
        "first_ns": first_ns,
        "last_ns": last_ns,
    }


def _lines(record: dict[str, Any]) -> list[str]:
    times = "none"
    if record["first_ns"] is not None:
        times = f"{job_cli.when(record['first_ns'])} to {job_cli.when(record['last_ns'])}"
    return [
        f"{record['file']}: log {record['log']}, version {record['version']}",
        f"  {record['bytes'] / 1e6:.1f} MB with what waits in its -wal file; "
        f"{record['disk_free_bytes'] / 1e9:.1f} GB free on its disk",
        f"  {counted(record['jobs'], 'job')}, {counted(record['traces'], 'trace')}, "
        f"{counted(record['trips'], 'trip')}, {counted(record['journal'], 'line')} of the journal",
        f"  {counted(record['readings'], 'reading')} in {counted(record['rows'], 'row')}, {times}",
    ]
