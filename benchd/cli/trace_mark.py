"""`benchd trace mark`: a mark by hand in a filed trace, which is then read again."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Annotated, get_args
from urllib.parse import quote

import typer

from benchd.cli import daemon_link, out
from benchd.cli import job as job_cli
from benchd.cli import trace_words as words


def mark(
    id: Annotated[str, typer.Argument(help="The trace.")],
    kind: Annotated[str, typer.Argument(help="connected, button, boot-end, removed.")],
    seconds: Annotated[float | None, typer.Argument(help="When, in s after the trace's start.")] = None,
    remove: Annotated[bool, typer.Option("--remove", help="Take the mark by hand away.")] = False,
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """Set or move a mark by hand, and read the trace again. Example: benchd trace mark ID button 3.2

    A mark by hand stands before the one that was recognised, which stays beside it.
    """
    import msgspec

    from benchd.cli.signatures import shelf_of
    from benchd.store.log import TraceRow
    from benchd.store.marking import MarkError, keep_marked, mark_again
    from benchd.traces.trace import HandKind

    if (seconds is None) is not remove:
        out.fail("say when, in s after the trace's start, or --remove, and not both", 2)
    if kind not in (kinds := get_args(HandKind)):
        out.fail(f"{kind!r} is no mark that is set by hand; there are {', '.join(kinds)}", 2)
    if seconds is not None and not 0 <= seconds < math.inf:
        out.fail(f"{kind} at {seconds:g} s is not in the trace: give s after its start, 0 s or more", 2)
    folder = job_cli.data_path(data_dir, config)
    if url := daemon_link.daemon_url(folder):
        body = {"kind": kind, "at_s": seconds, "by": "command-line"}
        with out.errors(daemon_link.DaemonSaid):
            answer = daemon_link.call(url, "POST", f"traces/{quote(id, safe='')}/marks", body, within_s=60)
        row = msgspec.convert(answer, TraceRow)
    else:
        with job_cli.the_log(folder, read_only=False) as log, out.errors(MarkError):
            marked = mark_again(log, id, kind, seconds, shelf_of(None, config, data_dir))
            if marked is None:
                out.fail(f"trace {id!r} is not in this log; `benchd trace list` shows what is")
            row = keep_marked(log, marked, "command-line")
    record = words.trace_record(row) | {"marks": msgspec.to_builtins(row.marks)}
    text = words.trace_line(row)
    if row.finding is not None:
        record["finding"] = words.finding_record(row.finding)
        text += "\n" + words.finding_text(row.finding)
    out.emit(record, text, json_)
