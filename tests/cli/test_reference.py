"""`benchd reference`, `benchd trace compare` and `nearest`, without a daemon."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from benchd.cli.main import app
from benchd.jobs.job import Job
from benchd.store.descriptor_rows import forget_row
from benchd.store.filing import file_imported
from benchd.store.log import Log
from benchd.traces.csvfile import save_csv
from tests.traces import power_ups

S = 1_000_000_000
run = CliRunner()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A log with three traces of one job: two good ones, then one that stops."""
    with Log.open(tmp_path / "benchd.sqlite") as log:
        log.add_job(Job("R-1", board="demo-a"))
        boards = (power_ups.good(1), power_ups.good(2), power_ups.stopped(3, 3.0, 0.06))
        for k, board in enumerate(boards):
            file_imported(log, power_ups.trace(board, k), "R-1", f"file-{k}", (100 + 60 * k) * S)
    return tmp_path


def traces(folder: Path) -> list[str]:
    with Log.open(folder / "benchd.sqlite", read_only=True) as log:
        return [row.id for row in log.traces()][::-1]


def ask(folder: Path, *words: str) -> list[dict]:
    done = run.invoke(app, [*words, "--data-dir", str(folder), "--json"])
    assert done.exit_code == 0, done.output
    return [json.loads(line) for line in done.stdout.splitlines()]


def test_references_are_added_listed_and_removed(folder: Path) -> None:
    first, *_ = traces(folder)
    added = ask(folder, "reference", "add", first, "--note", "from stock")
    assert added[0]["board"] == "demo-a"
    listed = ask(folder, "reference", "list", "--board", "demo-a")
    assert [(r["trace"], r["note"]) for r in listed] == [(first, "from stock")]
    assert ask(folder, "reference", "remove", first)[0]["trace"] == first
    again = run.invoke(app, ["reference", "remove", first, "--data-dir", str(folder)])
    assert again.exit_code == 1
    assert again.stderr == f"benchd: trace '{first}' is no reference; `benchd reference list` shows what is\n"
    empty = run.invoke(app, ["reference", "list", "--data-dir", str(folder)])
    assert "no references; `benchd reference add TRACE`" in empty.stdout
    journal = run.invoke(app, ["job", "show", "R-1", "--data-dir", str(folder)])
    assert f"trace {first} is a reference for demo-a: from stock" in journal.stdout


def test_a_trace_that_is_not_there_is_no_reference(folder: Path) -> None:
    done = run.invoke(app, ["reference", "add", "T-9", "--data-dir", str(folder)])
    assert done.exit_code == 1
    assert done.stderr == "benchd: trace 'T-9' is not in this log; `benchd trace list` shows what is\n"


def test_two_traces_and_the_last_two_of_a_job_are_compared(folder: Path) -> None:
    _, second, third = traces(folder)
    (told,) = ask(folder, "trace", "compare", second, third)
    assert (told["before"], told["after"]) == (second, third)
    assert told["divergence"]["at_s"] == pytest.approx(3.0, abs=0.15)
    assert told["similarity"] < 0.7
    settled = next(f for f in told["figures"] if f["name"] == "settled mean")
    assert settled["changed"] is True
    assert settled["difference"] == pytest.approx(settled["after"] - settled["before"])
    assert ask(folder, "trace", "compare", "--job", "R-1") == [told]
    text = run.invoke(app, ["trace", "compare", "--job", "R-1", "--data-dir", str(folder)]).stdout
    assert "s after the button" in text
    assert "settled mean" in text


def test_files_are_compared_without_a_log(tmp_path: Path) -> None:
    for k in (1, 2):
        save_csv(power_ups.trace(power_ups.good(k), k), tmp_path / f"{k}.csv")
    (told,) = ask(tmp_path / "nowhere", "trace", "compare", str(tmp_path / "1.csv"), str(tmp_path / "2.csv"))
    assert told["divergence"] is None
    assert told["similarity"] > 0.85
    assert told["why_not"] == ""


@pytest.mark.parametrize("words", [["a"], ["a", "b", "c"], ["a", "b", "--job", "R-1"], []])
def test_anything_but_two_traces_or_a_job_is_asked_again(folder: Path, words: list[str]) -> None:
    done = run.invoke(app, ["trace", "compare", *words, "--data-dir", str(folder)])
    assert done.exit_code == 2
    assert "name two traces, the earlier first, or one job with --job" in done.stderr


def test_the_nearest_are_listed_and_old_traces_described_first(folder: Path) -> None:
    first, second, third = traces(folder)
    with Log.open(folder / "benchd.sqlite") as log, log.transaction() as db:
        forget_row(db, second)
    near = ask(folder, "trace", "nearest", first)
    assert [n["trace"] for n in near] == [second, third]
    assert near[0]["distance_a"] < near[1]["distance_a"]
    assert ask(folder, "trace", "nearest", first, "--count", "1") == near[:1]
    assert ask(folder, "trace", "nearest", first, "--board", "demo-q") == []
