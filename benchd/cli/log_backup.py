"""`benchd log backup` and `benchd log restore`: copies of the log, and one of them put in its place."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from benchd.cli import job as job_cli
from benchd.cli import out


def backup(
    target: Annotated[
        Path | None,
        typer.Argument(help="File or folder for the copy; without it the folder that the settings name for copies."),
    ] = None,
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """Copy the log, also while the daemon records. Example: benchd log backup /media/stick

    The copy is checked, and takes its name only when it is whole and on the disk. In a folder its name has the log's id
    and the time (UTC). A new file wants a name with an ending, lest a disk that is not there is taken for one; a file
    that is there is overwritten only by a newer copy of the same log.
    """
    from benchd.store import backup as copies
    from benchd.store.errors import LogError

    log = job_cli.log_there(job_cli.data_path(data_dir, config))
    if (
        target is not None and not target.suffix and not target.exists()
    ):  # a stick that is not mounted is no file's name
        out.fail(f"{target}: there is no such folder: make it, or mount its disk; a new file for the copy wants a name "
                 "with an ending, as log.sqlite")  # fmt: skip
    with out.errors(LogError), working("copying") as progress:
        copy = copies.backup(log, target or _folder(config), datetime.now(UTC), progress)
    size = copy.stat().st_size
    out.emit({"file": str(copy), "bytes": size}, f"{copy}: {size / 1e6:.1f} MB, checked", json_)


def restore(
    copy: Annotated[Path, typer.Argument(help="The copy, as `benchd log backup` or the daemon made it.")],
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """Put a copy in the log's place; the daemon must not run. Example: benchd log restore benchd-….sqlite

    The file that is there now is kept beside it. Nothing that was recorded since the copy is in the restored log.
    """
    from benchd.store import backup as copies
    from benchd.store.errors import LogError

    log = job_cli.log_file(job_cli.data_path(data_dir, config))
    with out.errors(LogError, OSError), working("restoring") as progress:
        kept = copies.restore(log, copy, datetime.now(UTC), progress)
    words = f"; the file that was there is {kept} now" if kept is not None else ""
    record = {"file": str(log), "kept": None if kept is None else str(kept)}
    out.emit(record, f"{log} is as it was in {copy}{words}", json_)


@contextmanager
def working(what: str) -> Iterator[Callable[[float], None]]:
    """A bar on a terminal's standard error; tell it the share that is done, 0..1."""
    from rich.console import Console
    from rich.progress import Progress

    console = Console(stderr=True)
    with Progress(console=console, transient=True, disable=not console.is_terminal) as bar:
        task = bar.add_task(what, total=1.0)
        yield lambda share: bar.update(task, completed=share)


def _folder(config: Path | None) -> Path:
    path = out.config_path(config)
    folder = out.settings(path).log.backup_dir if config is not None or path.exists() else ""
    if not folder:
        out.fail("name a file or a folder for the copy, or set log.backup_dir in the settings", 2)
    return Path(folder).expanduser()
