"""`benchd trace list` by job, board, signature and time."""

from __future__ import annotations

import json
import time
from pathlib import Path

import msgspec
import pytest
from typer.testing import CliRunner

from benchd.cli.main import app
from benchd.jobs.job import Job
from benchd.store.log import Log
from tests.store.making import finding, trace_row

HOUR_NS = 3600 * 10**9
run = CliRunner()


def fill(log: Log) -> None:
    """Three traces: an hour, two and three hours ago."""
    log.add_job(Job("R-1", board="blue"))
    for n, (job, signature) in enumerate((("R-1", "low-stall"), ("R-1", "clean-boot"), (None, "low-stall")), 1):
        row = trace_row(f"T-{n}", job, time.time_ns() - n * HOUR_NS)
        log.add_trace(msgspec.structs.replace(row, finding=finding(signature)))


@pytest.mark.parametrize(
    ("asked", "ids"),
    [
        ((), ["T-1", "T-2", "T-3"]),
        (("--job", "R-1"), ["T-1", "T-2"]),
        (("--board", "blue"), ["T-1", "T-2"]),
        (("--board", "demo-a"), ["T-3"]),
        (("--signature", "low-stall"), ["T-1", "T-3"]),
        (("--since", "2.5h", "--signature", "low-stall"), ["T-1"]),
        (("--until", "2.5h"), ["T-3"]),
        (("--since", "2.5h", "--until", "1.5h"), ["T-2"]),
        (("--limit", "1"), ["T-1"]),
        (("--signature", "no-draw"), []),
    ],
)
def test_traces_are_listed_as_asked(tmp_path: Path, asked: tuple[str, ...], ids: list[str]) -> None:
    with Log.open(tmp_path / "benchd.sqlite") as log:
        fill(log)
    told = run.invoke(app, ["trace", "list", "--data-dir", str(tmp_path), "--json", *asked])
    assert [json.loads(line)["trace"] for line in told.stdout.splitlines()] == ids


def test_an_empty_list_repeats_what_was_asked(tmp_path: Path) -> None:
    Log.open(tmp_path / "benchd.sqlite").close()
    for asked, words in (((), ""), (("--board", "red", "--since", "30d"), " with board red, since 30d")):
        told = run.invoke(app, ["trace", "list", "--data-dir", str(tmp_path), *asked])
        assert told.stdout == f"no traces in this log{words}\n"
    refused = run.invoke(app, ["trace", "list", "--data-dir", str(tmp_path), "--since", "lately"])
    assert (refused.exit_code, "allowed are 2026-01-31" in refused.stderr) == (2, True)
