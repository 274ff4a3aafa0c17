"""`benchd log upgrade`: takes an older log to this benchd's version."""

from __future__ import annotations

import contextlib
import sqlite3
from pathlib import Path
from typing import Annotated

from benchd.cli import daemon_link, out
from benchd.cli import job as job_cli


def upgrade(
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """Take a log of an older benchd forward; it is copied first. Example: benchd log upgrade

    The daemon does this when it starts. A log that is up to date is left as it is.
    """
    from benchd.store import migrations
    from benchd.store.errors import LogError
    from benchd.store.holding import held

    folder = job_cli.data_path(data_dir, config)
    path = job_cli.log_there(folder)
    before = _version(path)
    if before < len(migrations.STEPS) and (url := daemon_link.daemon_url(folder)):
        out.fail(
            f"a daemon at {url} writes this log, whose version is {before}: end it first, "
            "or start it anew with this benchd, which takes the log forward by itself"
        )
    with out.errors(LogError), held(folder), job_cli.the_log(folder, read_only=False) as log:
        path = log.path
    now, copy = len(migrations.STEPS), migrations.copy_before(path)
    taken = 0 < before < now
    record = {"file": str(path), "version": now, "before": before, "copy": str(copy) if taken else None}
    said = f"taken from version {before} to {now}; the file as it was is {copy}" if taken else f"has version {now}"
    out.emit(record, f"{path}: {said}", json_)


def _version(path: Path) -> int:
    """The file's version as it is; what is no log is refused when it is opened."""
    with (
        contextlib.suppress(sqlite3.Error),
        contextlib.closing(sqlite3.connect(path.absolute().as_uri() + "?mode=ro", uri=True)) as db,
    ):
        return int(db.execute("PRAGMA user_version").fetchone()[0])
    return 0
