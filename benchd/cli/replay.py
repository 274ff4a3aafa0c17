"""`benchd replay`: what changed rules, plans or cards would have made of the traces in the log. Needs no supply."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from benchd.cli import job as job_cli
from benchd.cli import moments, out, replay_asked

if TYPE_CHECKING:
    from benchd.store.archive import Wanted
    from benchd.store.replay_pool import Tools
    from benchd.traces.replay import Outcome

STOPPED = 130
"""Exit status after Ctrl-C, as shells have it: 128 + SIGINT."""


def replay(
    job: Annotated[str | None, typer.Option(help="Only this job's traces.")] = None,
    board: Annotated[str | None, typer.Option(help="Only traces of this kind of board.")] = None,
    trace: Annotated[list[str] | None, typer.Option(help="Only this trace; can be given again.")] = None,
    since: Annotated[
        str | None, typer.Option(help="Only later ones: 2026-01-31, 2026-01-31T14:00, 30d or 12h.")
    ] = None,
    plan: Annotated[str | None, typer.Option(help="Judge by this plan: its name, or a file ending in .toml.")] = None,
    rule: Annotated[
        list[str] | None, typer.Option(metavar="KEY=VALUE", help="Change one key of the plans; can be given again.")
    ] = None,
    cards: Annotated[Path | None, typer.Option(help="Read with the signature cards of this folder.")] = None,
    workers: Annotated[
        int | None, typer.Option(min=1, max=256, help="Processes; without it as many as processors.")
    ] = None,
    only_changed: Annotated[bool, typer.Option("--only-changed", help="Leave out what stays as it was.")] = False,
    fail_on_new_trips: Annotated[
        bool,
        typer.Option("--fail-on-new-trips", help="Exit status 1 when a trip is new, or a good board is held back."),
    ] = False,
    data_dir: Annotated[Path | None, job_cli.DATA] = None,
    config: Annotated[Path | None, out.CONFIG] = None,
    json_: Annotated[bool, out.JSON] = False,
) -> None:
    """What today's rules, plans and cards, or changed ones, make of archived traces.

    The keys of --rule are those of a plan's file (`benchd plans show`); none switches a rule off. Nothing is changed in
    the log, which may be in use. Example: benchd replay --board demo-a --rule short_hold_ms=5 --only-changed
    """
    from benchd.cli import replay_text

    asked = replay_asked.asked(plan, rule or [], config)
    since_ns = moments.moment_ns(since, "--since") if since else None
    chosen, log_path = _chosen(job_cli.data_path(data_dir, config), job, board, since_ns, trace or [])
    tools = _tools(log_path, chosen, asked, cards, config)
    began = time.monotonic()
    results: list[Outcome] = []
    stopped = False
    try:
        for outcome in _outcomes(tools, chosen, workers or os.cpu_count() or 1, shown=not json_):
            results.append(outcome)
            if json_ and (outcome.changed or not only_changed):
                out.emit(replay_text.record(outcome), "", True)
    except KeyboardInterrupt:
        stopped = True
    counts = replay_text.counts(results, len(chosen), time.monotonic() - began)
    missing = {want.plan for want in chosen if want.plan not in tools.trials}
    if json_ or results or not stopped:
        out.emit(counts, "" if json_ else replay_text.table(results, counts, only_changed, missing), json_)
    if stopped:
        out.fail(f"stopped: {len(results)} of {len(chosen)} traces were replayed", STOPPED)
    if fail_on_new_trips and (counts["new_trips"] or counts["held_good"]):
        raise typer.Exit(1)


def _chosen(
    folder: Path, job: str | None, board: str | None, since_ns: int | None, ids: Sequence[str]
) -> tuple[list[Wanted], Path]:
    from benchd.store.archive import wanted

    with job_cli.the_log(folder, read_only=True) as log:
        if job is not None and log.job(job) is None:
            out.fail(f"job {job!r} is not in this log; `benchd job list` shows what is")
        return wanted(log, job, board, since_ns, ids), log.path


def _tools(
    log: Path, chosen: Sequence[Wanted], asked: replay_asked.Asked, cards: Path | None, config: Path | None
) -> Tools:
    from benchd.cli.signatures import shelf_of
    from benchd.store.replay_pool import Tools

    shelf = shelf_of(cards, config, log.parent)
    if (faults := shelf.faults()) and cards is not None:
        out.fail("\n".join(faults), 2)  # what was to be tried would not have been
    for fault in faults:
        typer.echo(f"benchd: {fault}", err=True)
    trials = replay_asked.trials({want.plan for want in chosen}, asked, config)
    return Tools(log, trials, replay_asked.outlets(config), shelf.own_dir)


def _outcomes(tools: Tools, chosen: Sequence[Wanted], workers: int, shown: bool) -> Iterator[Outcome]:
    """One after the other, with a bar on standard error where somebody sees it; ends the command on what ends them."""
    from concurrent.futures.process import BrokenProcessPool

    from rich.console import Console
    from rich.progress import MofNCompleteColumn, Progress

    from benchd.store.log import LogError
    from benchd.store.replay_pool import outcomes

    console = Console(stderr=True)
    columns = (*Progress.get_default_columns(), MofNCompleteColumn())
    hidden = not (shown and console.is_terminal)
    with out.errors(LogError), Progress(*columns, console=console, transient=True, disable=hidden) as progress:
        task = progress.add_task("replaying", total=len(chosen))
        try:
            for outcome in outcomes(tools, chosen, workers):
                progress.advance(task)
                yield outcome
        except BrokenProcessPool:
            out.fail("a process of the replay was ended from outside, for want of memory perhaps: try --workers 1")
