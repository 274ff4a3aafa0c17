"""`benchd log thin` and `benchd log compact`: old readings to fewer, and the file to what it holds."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from benchd.cli import job as job_cli
from benchd.cli import out

if TYPE_CHECKING:
    from benchd.store.thinning import Report


def thin(
    months: Annotated[
        int | None, typer.Option(min=1, max=600, help="Readings older than this; without it log.thin_after_months.")
    ] = None,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Only say what would go.")] = False,
    without: Annotated[
        list[str] | None, typer.Option("--without", help="A follower that need not be waited for; more than once.")
    ] = None,
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """Thin old readings, peaks kept. Example: benchd log thin --months 6 --dry-run

    Of each 10 s the first and last reading and the extremes of voltage and current stay, and each change of mode. Never
    thinned: traces with a finding, trips, references, what was recorded for the job on the bench, and what a follower
    has not sent yet. What has gone does not come back, but from a backup. May be done while the daemon runs.
    """
    from benchd.store.thinning import Thinner, months_before
    from benchd.store.thinning import thin as thinned

    before_ns = months_before(time.time_ns(), months if months is not None else _months(config))
    folder = job_cli.data_path(data_dir, config)
    job_cli.log_there(folder)
    # With a dry run nothing is written, not even by mistake.
    with job_cli.the_log(folder, read_only=dry_run) as log:
        thinner = Thinner(log, before_ns, without or ())
        for _ in thinned(log, thinner, write=not dry_run):
            pass
        report = thinner.report
        if not dry_run and report.total.rows:
            log.add_entry("thinned", payload=report.entry())
    out.emit(_record(report, dry_run), "\n".join(_lines(report, dry_run)), json_)


def compact(
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """Give the space that is free inside of the log back to the disk. Example: benchd log compact

    The daemon must not run meanwhile. The file is written anew, so as much as it holds must be free.
    """
    from benchd.store.compacting import compact as write_anew
    from benchd.store.compacting import sizes
    from benchd.store.errors import LogError
    from benchd.store.holding import held

    folder = job_cli.data_path(data_dir, config)
    job_cli.log_there(folder)
    with out.errors(LogError, OSError), held(folder), job_cli.the_log(folder, read_only=False) as log:
        before = sizes(log)
        write_anew(log)
        after = sizes(log)
    record = {"file": str(log.path), "bytes_before": before.file, "bytes": after.file}
    out.emit(record, f"{log.path}: {before.file / 1e6:.1f} MB before, {after.file / 1e6:.1f} MB now", json_)


def _months(config: Path | None) -> int:
    path = out.config_path(config)
    set_ = out.settings(path).log.thin_after_months if config is not None or path.exists() else None
    if set_ is None:
        out.fail("how old? give --months, or thin_after_months in [log] of the settings", 2)
    return set_


def _record(report: Report, dry_run: bool) -> dict[str, Any]:
    import msgspec

    return {
        "dry_run": dry_run,
        "before_ns": report.before_ns,
        **msgspec.to_builtins(report.total),
        "months": msgspec.to_builtins(dict(sorted(report.months.items()))),
        "kept": report.kept,
        "waiting": report.waiting,
    }


def _lines(report: Report, dry_run: bool) -> Iterator[str]:
    yield f"readings from before {job_cli.when(report.before_ns)}:"
    yield f"  {'':8} {'readings':>12}    {'then':>10}  {'MB':>9}    {'then':>9}"
    for name, t in [*sorted(report.months.items()), ("together", report.total)]:
        yield (
            f"  {name:8} {t.readings_before:>12} -> {t.readings_after:>10}  {t.bytes_before / 1e6:>9.3f} -> "
            f"{t.bytes_after / 1e6:>9.3f}"
        )
    for why, n in sorted(report.kept.items()):
        yield f"  kept: {n} readings ({why})"
    for name, n in sorted(report.waiting.items()):
        yield f"  kept: {n} readings that {name} has not sent yet; --without {name!r} does not wait for it"
    if dry_run:
        yield "nothing was changed (dry run)"
    elif report.total.rows:
        yield "the space is free inside of the log for what comes; `benchd log compact` gives it back to the disk"
