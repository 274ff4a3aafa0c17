"""`benchd log thin` and `benchd log compact`: what they say, what they change, and what the second time does."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from benchd.cli.main import app
from benchd.store.holding import held
from benchd.store.log import Log
from tests.store.making import T0, trace_row
from tests.store.test_thinning import S, everything, record


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    with Log.open(tmp_path / "benchd.sqlite") as log:
        record(log, 3000)
        log.add_trace(trace_row(start_ns=T0 + 60 * S))
        log.followers.advance("influxdb readings", 59)
    return tmp_path


def run(folder: Path, *words: str, status: int = 0) -> str:
    result = CliRunner().invoke(app, ["log", *words, "--data-dir", str(folder)])
    assert result.exit_code == status, result.output
    return result.output


def test_a_dry_run_says_what_then_goes(folder: Path) -> None:
    with Log.open(folder / "benchd.sqlite", read_only=True) as log:
        before = log.rows("SELECT * FROM blocks")
    looked = json.loads(run(folder, "thin", "--months", "1", "--dry-run", "--json"))
    with Log.open(folder / "benchd.sqlite", read_only=True) as log:
        assert log.rows("SELECT * FROM blocks") == before
        assert log.journal(kinds=["thinned"]) == []
    done = json.loads(run(folder, "thin", "--months", "1", "--json"))
    assert done == looked | {"dry_run": False, "before_ns": done["before_ns"]}
    assert done["readings_before"] == 59 * 2500
    assert done["waiting"] == {"influxdb readings": 2500}
    with Log.open(folder / "benchd.sqlite", read_only=True) as log:
        assert len(everything(log)) == done["readings_after"] + 2500
        (entry,) = log.journal(kinds=["thinned"])
        assert entry.payload["readings_after"] == done["readings_after"]
        assert entry.payload["text"].startswith("147500 readings from before 2")
    assert json.loads(run(folder, "thin", "--months", "1", "--json"))["rows"] == 0
    with Log.open(folder / "benchd.sqlite", read_only=True) as log:
        assert len(log.journal(kinds=["thinned"])) == 1  # nothing went the second time


def test_it_is_told_in_words(folder: Path) -> None:
    said = run(folder, "thin", "--months", "1", "--dry-run")
    assert "together" in said
    assert "kept: 251 readings (trace with a finding)" in said
    assert "kept: 2500 readings that influxdb readings has not sent yet" in said
    assert said.endswith("nothing was changed (dry run)\n")
    said = run(folder, "thin", "--months", "1", "--without", "influxdb readings")
    assert "not sent yet" not in said
    assert "`benchd log compact`" in said


def test_without_an_age_nothing_is_thinned(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BENCHD_CONFIG", str(folder / "none.toml"))
    assert "give --months, or thin_after_months" in run(folder, "thin", status=2)


def test_compacting_gives_the_space_back(folder: Path) -> None:
    run(folder, "thin", "--months", "1", "--without", "influxdb readings")
    file = folder / "benchd.sqlite"
    before = file.stat().st_size
    with Log.open(file, read_only=True) as log:
        kept = log.rows("SELECT * FROM blocks")
    said = json.loads(run(folder, "compact", "--json"))
    assert said == {"file": str(file), "bytes_before": before, "bytes": file.stat().st_size}
    assert file.stat().st_size < before / 2
    with Log.open(file, read_only=True) as log:
        assert log.rows("SELECT * FROM blocks") == kept
        assert log.rows("PRAGMA integrity_check") == [("ok",)]
        assert log.rows("PRAGMA freelist_count") == [(0,)]


def test_compacting_leaves_a_log_in_use_alone(folder: Path) -> None:
    with held(folder):
        assert "in use by the daemon or another command" in run(folder, "compact", status=1)
