"""`benchd job forget`: what it says first, what it does, and what copies of the log are named."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from benchd.cli.main import app
from benchd.store.copying import copy_database
from benchd.store.holding import held
from benchd.store.log import Log
from tests.store.test_forgetting import SECRETS, filled, holding


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    with Log.open(tmp_path / "benchd.sqlite") as log:
        filled(log)
    return tmp_path


def run(folder: Path, *words: str, status: int = 0) -> str:
    result = CliRunner().invoke(app, ["job", "forget", *words, "--data-dir", str(folder)])
    assert result.exit_code == status, result.output
    return result.output


def test_a_dry_run_only_says_so(folder: Path) -> None:
    said = run(folder, "R-1042", "--dry-run")
    gone = "device, symptom, history, wanted back, accessories, 9 notes, 1 photo, the id"
    assert f"{gone} would go; 1 traces would stay, and 1 rows of readings" in said
    assert said.endswith("nothing was changed (dry run)\n")
    assert holding(folder, *SECRETS) == set(SECRETS)


def test_it_is_not_done_without_being_meant(folder: Path) -> None:
    assert "cannot be undone: say --yes" in run(folder, "R-1042", status=2)
    assert "R-9" in run(folder, "R-9", "--yes", status=1)
    with held(folder):
        assert "in use by the daemon or another command" in run(folder, "R-1042", "--yes", status=1)
    assert holding(folder, *SECRETS) == set(SECRETS)


def test_nothing_is_left_and_servers_are_named(folder: Path) -> None:
    said = run(folder, "R-1042", "--yes")
    assert "forgotten; the job is forgotten-" in said
    assert "influxdb readings has sent points with the tag job=R-1042" in said
    assert holding(folder, *SECRETS) == set()
    assert "job 'R-1042' is not in this log" in run(folder, "R-1042", "--yes", status=1)


def test_what_another_bench_has_measured_was_not_sent(folder: Path) -> None:
    with Log.open(folder / "benchd.sqlite") as log, log.transaction() as db:  # as a job that was unpacked
        db.execute("UPDATE blocks SET seq = -seq WHERE job = 'R-1042'")
        db.execute("UPDATE journal SET seq = -seq WHERE job = 'R-1042'")
    assert json.loads(run(folder, "R-1042", "--yes", "--json"))["servers"] == []


def test_copies_are_named_and_forget_when_asked(folder: Path) -> None:
    copy = folder / "benchd.sqlite.before-v6"
    copy_database(folder / "benchd.sqlite", copy)
    named = json.loads(run(folder, "R-1042", "--dry-run", "--json"))
    assert named == {"notes": 9, "photos": 1, "traces": 1, "rows": 1, "dry_run": True, "copies": [str(copy)]}
    done = json.loads(run(folder, "R-1042", "--yes", "--backups", "--json"))
    assert (done["copies"], done["failed"], done["left"]) == ([], [], "")
    assert holding(folder, *SECRETS) == set()
    with Log.open(copy, read_only=True) as log:
        assert log.job(done["job"]) is not None


def test_a_copy_that_is_not_meant_is_left_and_told(folder: Path) -> None:
    copy = folder / "benchd.sqlite.before-v6"
    copy_database(folder / "benchd.sqlite", copy)
    before = copy.read_bytes()
    assert f"{copy}: this copy of the log holds it; --backups forgets there, too" in run(folder, "R-1042", "--yes")
    assert copy.read_bytes() == before


def test_a_copy_that_cannot_be_read_is_told(folder: Path) -> None:
    copy = folder / "benchd.sqlite.before-v6"
    copy.write_bytes(b"R-1042 in no database")
    said = run(folder, "R-1042", "--yes", "--backups", status=1)
    assert "it is as it was" in said
    assert f"{copy}: this copy of the log holds it still" in said
    assert "--backups" not in said
