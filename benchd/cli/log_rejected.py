"""`benchd log rejected`: what a follower's server would not take, set aside and never sent again."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from benchd.cli import job as job_cli
from benchd.cli import out

if TYPE_CHECKING:
    from benchd.store.follower_rows import RejectedRow


def rejected(
    follower: Annotated[
        str | None, typer.Option(help="Only of this one: influxdb, mqtt, or one stream, as `influxdb readings`.")
    ] = None,
    limit: Annotated[int, typer.Option(min=1, max=100_000, help="How many, newest first.")] = 20,
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """What a server refused for good, newest first: when, why, and the item as it was sent. It is in the log all the
    same; only the server lacks it. Example: benchd log rejected --follower influxdb
    """
    with job_cli.the_log(job_cli.data_path(data_dir, config), read_only=True) as log:
        counted = log.followers.counted()
        known = set(counted) | {name.split()[0] for name in counted}
        if follower is not None and follower not in known:
            there = ", ".join(sorted(known)) or "none yet"
            out.fail(f"no follower {follower!r} ever ran on this log; there are: {there}")
        rows = log.followers.set_aside(follower, limit)
    of_these = sum(n for name, n in counted.items() if follower in (None, name, name.split()[0]))
    if not json_:
        typer.echo(_heading(of_these, len(rows)))
    for row in rows:
        record = {"follower": row.follower, "seq": row.seq, "t_ns": row.t_ns, "reason": row.reason, "item": row.item}
        out.emit(record, _text(row), json_)


def _heading(counted: int, shown: int) -> str:
    if not counted:
        return "nothing was refused"
    items = "1 item was" if counted == 1 else f"{counted} items were"
    return f"{items} refused for good" + (f"; the newest {shown}:" if shown < counted else ":")


def _text(row: RejectedRow) -> str:
    return f"{job_cli.when(row.t_ns)}  {row.follower}, row {row.seq}: {row.reason}\n  {row.item}"
