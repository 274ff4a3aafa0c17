"""`benchd log check`: is the log sound? With `--repair` a damaged one is written anew from what can be read."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from benchd.cli import job as job_cli
from benchd.cli import out
from benchd.cli.log_backup import working

if TYPE_CHECKING:
    from benchd.store.checking import Checked, Fault
    from benchd.store.repairing import Repaired

MOST_SHOWN = 50


def check(
    repair: Annotated[
        bool, typer.Option("--repair", help="Write a damaged log anew; the daemon must not run.")
    ] = False,
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """Look at every page, row and reading of the log. Exit status 0: sound, 1: not. Example: benchd log check

    It only reads, and the daemon may go on recording. --repair keeps the damaged file beside the new one, and writes
    rows that cannot be decoded into a text file.
    """
    from benchd.store import checking, repairing
    from benchd.store.errors import LogError

    log = job_cli.log_there(job_cli.data_path(data_dir, config))
    repaired: Repaired | None = None
    with out.errors(LogError, OSError), working("checking") as progress:
        if repair:
            repaired = repairing.repair(log, datetime.now(UTC), progress)
            found = repaired.found
        else:
            found = checking.check(log, progress)
    for fault in found.faults if json_ else found.faults[:MOST_SHOWN]:
        out.emit({"fault": checking.as_record(fault)}, _fault_line(fault), json_)
    record = {
        "file": str(log),
        "sound": found.sound,
        "rows": sum(found.counted.values()),
        "readings": found.readings,
        "faults": found.grave,
    }
    text = _sum(log, found)
    if repaired is not None and repaired.kept is not None:
        record |= {
            "kept": str(repaired.kept),
            "aside": str(repaired.aside) if repaired.aside else None,
            "rows_taken": repaired.rows,
            "rows_aside": repaired.set_aside,
            "rows_corrected": repaired.corrected,
            "traces_with_losses": [fault.trace for fault in repaired.lost],
        }
        text += "\n" + _repair_lines(repaired)
    out.emit(record, text, json_)
    if not found.sound and not repair:
        raise typer.Exit(1)


def _sum(log: Path, found: Checked) -> str:
    looked = f"{log}: {sum(found.counted.values())} rows, {found.readings} readings looked at"
    if found.sound:
        return f"{looked}: sound"
    hidden = max(0, len(found.faults) - MOST_SHOWN) + found.more
    more = f" ({hidden} not shown here)" if hidden else ""
    return f"{looked}: faults: {found.grave}{more}; `benchd log check --repair` saves what can be read"


def _repair_lines(repaired: Repaired) -> str:
    lines = [f"written anew: {repaired.rows} rows taken over, {repaired.corrected} of them corrected"]
    if repaired.aside is not None:
        lines.append(f"{repaired.set_aside} rows that could not be decoded are in {repaired.aside}")
    lines += [f"lost: {fault.text}" for fault in repaired.lost[:MOST_SHOWN]]
    lines.append(f"the damaged file is {repaired.kept}")
    return "\n".join(lines)


def _fault_line(fault: Fault) -> str:
    times = [job_cli.when(each) if each is not None else "?" for each in (fault.from_ns, fault.to_ns)]
    at = f"  ({times[0]} to {times[1]})" if times != ["?", "?"] else ""
    return f"{'FAULT' if fault.grave else 'note '}  {fault.where}: {fault.text}{at}"
