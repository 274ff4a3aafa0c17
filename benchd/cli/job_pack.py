"""`benchd job pack` and `benchd job unpack`: a whole job as one file, from one bench to another."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from benchd.cli import job as job_cli
from benchd.cli import out, out_file
from benchd.cli.words import counted

if TYPE_CHECKING:
    from benchd.store.packed import Manifest
    from benchd.store.unpacking import Placed

BENCH = typer.Option("--bench", help="Name of the bench that the log is of; without it the settings' one.")


def pack(
    id: Annotated[str, typer.Argument(help="The job.")],
    to: Annotated[Path, typer.Option("--output", "-o", help="The archive to write, a zip file.")],
    csv: Annotated[bool, typer.Option("--csv", help="Put each trace in as CSV as well, for other programs.")] = False,
    without_person: Annotated[
        bool, typer.Option("--without-person", help="Leave out photos and what people wrote of it.")
    ] = False,
    bench: Annotated[str | None, BENCH] = None,
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """Pack a job and all that belongs to it into one file. Example: benchd job pack R-1042 -o R-1042.zip

    Journal, photos, traces, trips, runs of procedures, all readings, each with a checksum; README.txt in it tells what
    is where. With the person's words in it, it is a customer's data: send it no further than need be.
    """
    from benchd.store.errors import LogError
    from benchd.store.packing import pack_job

    folder = job_cli.data_path(data_dir, config)
    name = bench if bench is not None else bench_name(config)
    with job_cli.the_log(folder, read_only=True) as log, out.errors(LogError), out_file.written(to, log.path) as file:
        manifest = pack_job(log, id, file, bench=name, with_csv=csv, without_person=without_person)
    out.emit(_record(manifest) | {"file": str(to)}, f"{to}: job {id}, {_counted(manifest)}", json_)


def unpack(
    file: Annotated[Path, typer.Argument(help="The archive, as `benchd job pack` writes it.")],
    as_: Annotated[str | None, typer.Option("--as", help="The job's id on this bench; without it as it was.")] = None,
    again: Annotated[bool, typer.Option("--again", help="Also if this very archive was taken in before.")] = False,
    references: Annotated[
        bool, typer.Option("--references", help="Traces and runs that were references there are references here.")
    ] = False,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Check it and say what would be done; do nothing.")
    ] = False,
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """Take a job of another bench into this log. Example: benchd job unpack R-1042.zip

    Every checksum and every line is checked first; it comes in whole or not at all, also while the daemon records.
    Times stay. A supply becomes NAME@BENCH, and followers do not send what another bench has measured.
    """
    from benchd.jobs.job import JobError
    from benchd.store.errors import LogError
    from benchd.store.packed_file import Archive, ArchiveError
    from benchd.store.unpacking import place, unpack_job

    folder = job_cli.data_path(data_dir, config)
    with out.errors(ArchiveError, LogError, JobError), Archive(file) as archive:
        with job_cli.the_log(folder, read_only=dry_run) as log:
            if dry_run:
                placed = place(log, archive, as_, again)
            else:
                placed = unpack_job(log, archive, as_, again=again, with_references=references)
        said = _said(archive.manifest, placed, dry_run)
        record = _record(archive.manifest) | {
            "job": placed.job, "packed_as": archive.job.id, "supplies": placed.supplies, "traces": placed.traces,
            "runs": placed.runs, "dry_run": dry_run,
        }  # fmt: skip
    out.emit(record, said, json_)


def bench_name(config: Path | None) -> str:
    """The bench's name as the settings have it; empty without settings."""
    if config is None and not out.config_path(None).exists():
        return ""
    return out.settings(config).bench


def _record(manifest: Manifest) -> dict[str, Any]:
    import msgspec

    record: dict[str, Any] = msgspec.to_builtins(manifest)
    return {key: value for key, value in record.items() if key != "files"}


def _counted(manifest: Manifest) -> str:
    c = manifest.counts
    person = "" if not manifest.without_person else "; without photos and what people wrote of it"
    what = (
        counted(c.traces, "trace"), counted(c.trips, "trip"), counted(c.journal, "journal entry", "journal entries"),
        counted(c.readings, "reading"), *([counted(c.photos, "photo")] if c.photos else []),
        *([counted(c.runs, "run of a procedure", "runs of procedures")] if c.runs else []),
    )  # fmt: skip
    return f"{', '.join(what)}{person}"


def _said(manifest: Manifest, placed: Placed, dry_run: bool) -> str:
    origin = manifest.bench or f"(log {manifest.log})"
    done = "would be taken in" if dry_run else "taken in"
    lines = [f"job {placed.job} {done} from bench {origin}: {_counted(manifest)}"]
    if placed.job != manifest.job:
        lines.append(f"  it was job {manifest.job} there")
    lines += [f"  supply {there} is {here} here" for there, here in placed.supplies.items()]
    lines += [f"  trace {there} is {here} here" for there, here in placed.traces.items() if there != here]
    lines += [f"  run {there} is {here} here" for there, here in placed.runs.items() if there != here]
    return "\n".join(lines)
