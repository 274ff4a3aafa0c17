"""`benchd reference`, `benchd trace compare` and `nearest`, without a daemon."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from benchd.cli.main import app
from benchd.cli.trace_compare import verdict
from benchd.jobs.job import Job
from benchd.store.descriptor_rows import forget_row
from benchd.store.filing import file_imported
from benchd.store.log import Log
from benchd.traces.comparison import Comparison
from benchd.traces.csv_write import csv_text
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


def words_of(folder: Path, *words: str) -> str:
    done = run.invoke(app, [*words, "--data-dir", str(folder)])
    assert done.exit_code == 0, done.output
    return done.stdout


def over_drawing(folder: Path) -> str:
    """A trace that was filed before there were references."""
    with Log.open(folder / "benchd.sqlite") as log:
        return file_imported(log, power_ups.trace(power_ups.good(60, 1.5), 9), "R-1", "file-9", 500 * S).id


def test_a_filed_trace_is_read_anew_with_references_that_came_later(folder: Path) -> None:
    first, second, _ = traces(folder)
    more = over_drawing(folder)
    assert "read anew" not in words_of(folder, "trace", "show", more)
    said = words_of(folder, "reference", "add", first)
    assert (
        "3 filed traces of that board keep the findings they were filed with; "
        "`benchd replay --board demo-a --only-changed` lists what reads otherwise now" in said
    )
    assert ask(folder, "reference", "add", second)[0]["filed_before"] == 3
    shown = words_of(folder, "trace", "show", more)
    assert "filed as clean-boot (" in shown
    assert "; read anew with 2 references: over-draw (" in shown
    assert "  over-draw, confidence " in shown
    (record,) = ask(folder, "trace", "show", more)
    assert (record["signature"], record["finding"]["signature"]) == ("clean-boot", "clean-boot")
    assert (record["read_anew"]["signature"], record["read_anew"]["references"]) == ("over-draw", 2)
    compared = words_of(folder, "trace", "compare", more, first)
    assert f"before  {more}: filed as clean-boot (" in compared
    (told,) = ask(folder, "trace", "compare", more, first)
    assert (told["before_signature"], told["before_filed"]) == ("over-draw", "clean-boot")
    plotted = words_of(folder, "trace", "plot", more)
    assert " ".join(plotted.split()).count("read anew with 2 references: over-draw (") == 1


def test_a_board_with_spaces_is_quoted_in_what_is_to_be_typed(folder: Path) -> None:
    first, *_ = traces(folder)
    assert "filed trace" not in words_of(folder, "reference", "add", first, "--board", "blue phone")
    more = traces(folder)[1]
    said = words_of(folder, "reference", "add", more, "--board", "blue phone")
    assert "1 filed trace of that board keeps the finding it was filed with; " in said
    assert "--board 'blue phone' --only-changed`" in said


def test_the_last_two_of_a_job_say_whether_the_step_helped(folder: Path) -> None:
    """And nobody calls the earlier trace the good one."""
    said = words_of(folder, "trace", "compare", "--job", "R-1")
    assert "In short: still clean-boot, but it leaves the earlier one " in said
    assert "; changed: " in said
    assert "Leaves the earlier one " in said
    assert "good one" not in said
    assert "the reference" not in said
    assert " mA ± " in said


@pytest.mark.parametrize(
    ("was", "now", "said"),
    [
        ("mid-stall", "clean-boot", "In short: it helped: mid-stall before, a clean boot now (90%)."),
        ("clean-boot", "mid-stall", "In short: it is worse: a clean boot before, mid-stall now (90%)."),
        ("dead-short", "mid-stall", "it is not a clean boot yet, but another finding: dead-short before, mid-stall"),
        ("no-draw", "no-draw", "In short: still no-draw, and no change that can be told."),
    ],
)  # fmt: skip
def test_a_verdict_says_no_more_than_the_two_findings(was: str, now: str, said: str) -> None:
    assert (
        verdict(Comparison(was, 0.8, now, 0.9, ()))
        .rstrip(".")
        .removesuffix(" now")
        .endswith(said.rstrip(".").removesuffix(" now"))
    )


def test_a_plot_and_a_comparison_tell_the_same_divergence(folder: Path) -> None:
    first, _, third = traces(folder)
    (compared,) = ask(folder, "trace", "compare", first, third)
    (drawn,) = ask(folder, "trace", "plot", third, "--against", first)
    for key in ("at_s", "current_a", "reference_a", "difference_u_a", "significance"):
        assert drawn["divergence"][key] == compared["divergence"][key]
    (turned,) = ask(folder, "trace", "plot", first, "--against", third)
    # But for the time between the two buttons.
    assert turned["divergence"]["at_s"] == pytest.approx(drawn["divergence"]["at_s"], abs=0.05)
    assert turned["divergence"]["significance"] == drawn["divergence"]["significance"]
    assert "leaves the other" in turned["picture"]
    assert "good one" not in turned["picture"]


def test_files_are_compared_without_a_log(tmp_path: Path) -> None:
    for k in (1, 2):
        (tmp_path / f"{k}.csv").write_bytes(csv_text(power_ups.trace(power_ups.good(k), k)).encode())
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
