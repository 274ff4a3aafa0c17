"""`benchd trace compare` and `benchd trace nearest`: a trace beside another, and past ones that are like it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any
from urllib.parse import quote, urlencode

import typer

from benchd.cli import daemon_link, out
from benchd.cli import job as job_cli
from benchd.cli import trace_words as words
from benchd.cli.trace_source import Given, Source

if TYPE_CHECKING:
    from benchd.store.descriptor_rows import Near
    from benchd.store.log import Log
    from benchd.traces.band import Band
    from benchd.traces.comparison import Comparison


def compare(
    traces: Annotated[
        list[str] | None, typer.Argument(help="The earlier and the later: ids of filed traces, or files.")
    ] = None,
    job: Annotated[str | None, typer.Option(help="Instead of traces: this job's last two.")] = None,
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """Where the second trace leaves the first, how alike they are, and what changed. Example: benchd trace compare A B

    With --job it says whether the last step helped: `benchd trace compare --job R-1042`.
    """
    from benchd.cli.signatures import shelf_of
    from benchd.traces.comparison import compare as compared
    from benchd.traces.file_error import TraceFileError

    named = list(traces or [])
    if len(named) != (0 if job is not None else 2):
        out.fail("name two traces, the earlier first, or one job with --job", 2)
    if job is not None:
        named = _last_two(job, data_dir, config)
    with Source(data_dir, config) as source, out.errors(TraceFileError):
        before, after = (source.find(name) for name in named)
        bands = source.own_band(before), source.own_band(after)
    found = compared(before.trace, after.trace, shelf_of(None, config, data_dir), bands)
    text = comparison_text((before, after), found, bands) + (f"\n  {verdict(found)}" if job is not None else "")
    out.emit(_record(before, after, found), text, json_)


def nearest(
    id: Annotated[str, typer.Argument(help="The trace: an id, or a file.")],
    count: Annotated[int, typer.Option(min=1, max=1000, help="How many.")] = 5,
    board: Annotated[str | None, typer.Option(help="Only traces of this kind of board.")] = None,
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """Past traces that are most like this one, with what they were read as. Example: benchd trace nearest ID"""
    from benchd.store.descriptor_rows import nearest_to
    from benchd.traces.file_error import TraceFileError
    from benchd.traces.nearest import describe

    with Source(data_dir, config) as source, out.errors(TraceFileError):
        given = source.find(id)
    row = describe(given.trace)
    if row is None:
        out.fail(f"trace {id!r}: its output never was on, so that there is nothing to look for")
    folder = job_cli.data_path(data_dir, config)
    if given.row is not None and (url := daemon_link.daemon_url(folder)):
        _ask_daemon(url, given.row.id, count, board, json_)
        return
    _describe_all(folder)
    with job_cli.the_log(folder, read_only=True) as log:
        near = nearest_to(log, row, count, [given.row.id] if given.row else [], board)
        if not near and not json_:
            typer.echo("no other trace in this log" + (f" of board {board}" if board else ""))
        for one in near:
            out.emit(*_near(log, one), json_)


def _ask_daemon(url: str, id: str, count: int, board: str | None, json_: bool) -> None:
    """The daemon describes what an earlier version filed, some at each question."""
    import msgspec

    from benchd.store.log import TraceRow

    query = urlencode({"count": min(count, 100)} | ({} if board is None else {"board": board}))
    with out.errors(daemon_link.DaemonSaid):
        answer = daemon_link.call(url, "GET", f"traces/{quote(id, safe='')}/nearest?{query}", within_s=60)
    for one in answer["nearest"]:
        row = msgspec.convert(one["trace"], TraceRow)
        record = {"distance_a": one["distance_a"], **words.trace_record(row)}
        out.emit(record, f"{one['distance_a']:.4f} A  {words.trace_line(row)}", json_)
    if answer["waiting"]:
        typer.echo(f"benchd: {answer['waiting']} older traces were not looked at yet; ask again", err=True)


def _near(log: Log, one: Near) -> tuple[dict[str, Any], str]:
    row = log.trace(one.trace)
    if row is None:  # gone since
        return {"trace": one.trace, "distance_a": one.distance_a}, f"{one.distance_a:.4f} A  {one.trace}"
    return {"distance_a": one.distance_a, **words.trace_record(row)}, f"{one.distance_a:.4f} A  {words.trace_line(row)}"


def _describe_all(folder: Path) -> None:
    """Describe what an earlier version filed, where no daemon runs that does it."""
    from benchd.store.descriptor_rows import described, keep_row, undescribed

    if daemon_link.daemon_url(folder):
        return
    with job_cli.the_log(folder, read_only=True) as log:
        waiting = undescribed(log)
    if not waiting:
        return
    with job_cli.the_log(folder, read_only=False) as log:
        for trace in waiting:
            row = described(log, trace)
            with log.transaction(durable=False) as db:
                keep_row(db, trace, row)


def _last_two(job: str, data_dir: Path | None, config: Path | None) -> list[str]:
    with job_cli.the_log(job_cli.data_path(data_dir, config), read_only=True) as log:
        if log.job(job) is None:
            out.fail(f"job {job!r} is not in this log; `benchd job list` shows what is")
        rows = log.traces(job=job, limit=2)
    if len(rows) < 2:
        out.fail(f"job {job} has {len(rows)} trace{'' if len(rows) == 1 else 's'}; two are needed to compare")
    return [rows[1].id, rows[0].id]


def _record(before: Given, after: Given, found: Comparison) -> dict[str, Any]:
    import msgspec

    filed = {
        f"{name}_filed": one.row.finding.signature if one.row is not None and one.row.finding is not None else None
        for name, one in (("before", before), ("after", after))
    }
    whole = msgspec.to_builtins(found)
    return {"before": before.name, "after": after.name, **whole, **filed, "in_short": verdict(found)}


def comparison_text(
    both: tuple[Given, Given], found: Comparison, bands: tuple[Band | None, Band | None] = (None, None)
) -> str:
    """A comparison for the terminal; `bands`: of the references that each was read with."""
    said = (
        ("before", found.before_signature, found.before_confidence),
        ("after ", found.after_signature, found.after_confidence),
    )
    from benchd.traces.filed import read_anew

    lines = []
    for one, band, (when, signature, confidence) in zip(both, bands, said, strict=True):
        filed = one.row.finding if one.row is not None else None
        told = read_anew(filed, signature, confidence, band) or f"{signature} ({confidence:.0%})"
        lines.append(f"{when}  {one.name}: {told}")
    if found.why_not:
        lines.append(f"  the curves are not compared: {found.why_not}")
    else:
        lines.append(f"  similarity {found.similarity:.2f} of 1, over {found.compared_s:.1f} s")
        parted = found.divergence
        lines.append("  " + (parted.text if parted else "The later one does not leave the earlier one in that time."))
    for f in found.figures:
        if f.before is None and f.after is None:
            continue
        tells = {True: "changed", False: "no change that can be told", None: ""}[f.changed]
        was, now = _value(f.before, f.before_u, f.unit), _value(f.after, f.after_u, f.unit)
        lines.append(f"  {f.name:<26} {was} -> {now}  {tells}".rstrip())
    if any(f.before_u is not None or f.after_u is not None for f in found.figures):
        lines.append("  (± is k = 2, of the measurement; changed: by more than that and what power-ups differ by)")
    return "\n".join(lines)


def _value(value: float | None, u: float | None, unit: str) -> str:
    from benchd.traces.rounding import figure

    return "not seen" if value is None else figure(value, u, unit)


def verdict(found: Comparison) -> str:
    """Whether what was done between the two helped, in one sentence, and no more than they show."""
    was, now = found.before_signature, found.after_signature
    changed = [f.name for f in found.figures if f.changed]
    left = f"it leaves the earlier one {found.divergence.at_s:.2f} s after the button" if found.divergence else ""
    if was != now and now == "clean-boot":
        return f"In short: it helped: {was} before, a clean boot now ({found.after_confidence:.0%})."
    if was != now and was == "clean-boot":
        return f"In short: it is worse: a clean boot before, {now} now ({found.after_confidence:.0%})."
    if was != now:
        return f"In short: it is not a clean boot yet, but another finding: {was} before, {now} now."
    if changed or found.divergence is not None:
        what = "; ".join(w for w in (left, f"changed: {', '.join(changed)}" if changed else "") if w)
        return f"In short: still {now}, but {what}."
    if found.why_not:
        return f"In short: still {now}; more cannot be told, as the curves cannot be compared."
    return f"In short: still {now}, and no change that can be told."
