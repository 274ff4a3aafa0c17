"""`benchd trace mark`, without a daemon."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from benchd.cli.main import app
from benchd.jobs.job import Job
from benchd.store.log import Log
from tests.store.test_marking import filed


@pytest.fixture
def id_(tmp_path: Path) -> str:
    with Log.open(tmp_path / "benchd.sqlite") as log:
        log.add_job(Job("R-1"))
        return filed(log, "R-1").id


def run(tmp_path: Path, *words: str, status: int = 0) -> str:
    result = CliRunner().invoke(app, ["trace", "mark", *words, "--data-dir", str(tmp_path)])
    assert result.exit_code == status, result.output
    return result.output


def test_a_mark_is_set_shown_and_taken_away(tmp_path: Path, id_: str) -> None:
    said = json.loads(run(tmp_path, id_, "button", "3.0", "--json"))
    assert (said["trace"], said["finding"]["button_s"], said["signature"]) == (id_, 3.0, "early-leak")
    assert [m["by"] for m in said["marks"] if m["kind"] == "button"] == ["recogniser", "hand"]
    assert "early-leak" in run(tmp_path, id_, "button", "3.0")
    said = json.loads(run(tmp_path, id_, "button", "--remove", "--json"))
    assert [m["by"] for m in said["marks"]] == ["recogniser"]
    journal = CliRunner().invoke(app, ["job", "show", "R-1", "--data-dir", str(tmp_path)]).output
    assert f"{id_} button set by hand to 3.000 s; it was 2.000 s" in journal
    assert [line.split()[2] for line in journal.splitlines() if id_ in line] == ["trace", *["mark", "finding"] * 3]


@pytest.mark.parametrize(
    ("words", "status", "says"),
    [
        (("button",), 2, "say when, in s after the trace's start, or --remove, and not both"),
        (("button", "3", "--remove"), 2, "and not both"),
        (("button", "999"), 1, "button at 999 s is not in trace"),
        (("button", "nan"), 2, "button at nan s is not in the trace: give s after its start, 0 s or more"),
        (("button", "inf"), 2, "button at inf s is not in the trace"),
        (("tripped", "1"), 2, "no mark that is set by hand"),
    ],
)
def test_what_cannot_be_is_one_line(tmp_path: Path, id_: str, words: tuple[str, ...], status: int, says: str) -> None:
    assert says in run(tmp_path, id_, *words, status=status)


def test_an_unknown_trace_is_named(tmp_path: Path, id_: str) -> None:
    assert "trace 'T9' is not in this log" in run(tmp_path, "T9", "button", "1", status=1)
