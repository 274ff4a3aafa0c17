"""`benchd log`: info, check, backup, restore, as they are typed."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path

import pytest
from typer.testing import CliRunner

from benchd.cli.main import app
from benchd.store.holding import held
from benchd.store.log import Log
from tests.cli.asking import lines
from tests.running import Bench, settings_text
from tests.store.making import block, trace_row, tripped


def benchd(*words: str | Path, status: int = 0) -> str:
    """In this process: what it says, on either stream when it fails."""
    done = CliRunner().invoke(app, [str(word) for word in words])
    assert done.exit_code == status, (done.stdout, done.stderr, done.exception)
    return done.stdout if status == 0 else done.stdout + done.stderr


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    data = tmp_path / "data"
    benchd("job", "new", "R-1", "--data-dir", data)
    with Log.open(data / "benchd.sqlite") as log:
        log.add_block(block(5000), "R-1", trace_row().id)
        log.add_trace(trace_row(job="R-1"))
        log.add_trip(tripped(), "R-1")
    return data


def test_info_says_what_is_in_the_log(folder: Path) -> None:
    (told,) = lines(benchd("log", "info", "--data-dir", folder, "--json"))
    assert (told["jobs"], told["traces"], told["trips"], told["readings"]) == (1, 1, 1, 5000)
    assert told["file"] == str(folder / "benchd.sqlite")
    assert told["bytes"] > 4096
    text = benchd("log", "info", "--data-dir", folder)
    assert "1 job, 1 trace, 1 trip" in text
    assert "2026-01-02" in text
    empty = folder.parent / "empty"
    benchd("job", "new", "R-1", "--data-dir", empty)
    assert "0 readings in 0 rows, none" in benchd("log", "info", "--data-dir", empty)


def test_check_tells_by_its_exit_status_and_repairs_when_asked(folder: Path) -> None:
    assert "5000 readings looked at: sound" in benchd("log", "check", "--data-dir", folder)
    assert lines(benchd("log", "check", "--repair", "--data-dir", folder, "--json"))[-1]["sound"] is True
    with sqlite3.connect(folder / "benchd.sqlite") as db:
        db.execute("UPDATE journal SET payload = '{' WHERE seq = 1")
    db.close()
    said = benchd("log", "check", "--data-dir", folder, status=1)
    assert "FAULT  journal: number 1: it cannot be decoded" in said
    assert "faults: 1; `benchd log check --repair` saves what can be read" in said
    fault, told = lines(benchd("log", "check", "--data-dir", folder, "--json", status=1))
    assert fault["fault"]["where"] == "journal"
    assert (told["sound"], told["faults"]) == (False, 1)
    with held(folder):
        assert "end it first" in benchd("log", "check", "--repair", "--data-dir", folder, status=1)
    repaired = benchd("log", "check", "--repair", "--data-dir", folder)
    assert "1 rows that could not be decoded are in" in repaired
    (aside,) = folder.glob("benchd.sqlite.damaged-*.jsonl")
    assert json.loads(aside.read_text())["row"]["payload"] == "{"
    assert len(list(folder.glob("benchd.sqlite.before-repair-*"))) == 1
    assert "sound" in benchd("log", "check", "--data-dir", folder)


def test_a_copy_and_back(folder: Path, tmp_path: Path) -> None:
    copies = tmp_path / "copies"
    copies.mkdir()
    (told,) = lines(benchd("log", "backup", copies, "--data-dir", folder, "--json"))
    copy = Path(told["file"])
    assert (copy.parent, told["bytes"]) == (copies, copy.stat().st_size)
    benchd("job", "new", "R-2", "--data-dir", folder)
    with held(folder):
        assert "end it first" in benchd("log", "restore", copy, "--data-dir", folder, status=1)
    said = benchd("log", "restore", copy, "--data-dir", folder)
    assert "the file that was there is" in said
    assert [job["id"] for job in lines(benchd("job", "list", "--data-dir", folder, "--json"))] == ["R-1"]
    (kept,) = folder.glob("benchd.sqlite.before-restore-*")
    benchd("log", "restore", kept, "--data-dir", folder)
    assert len(lines(benchd("job", "list", "--data-dir", folder, "--json"))) == 2


def test_a_folder_that_is_not_there_does_not_become_a_file(folder: Path, tmp_path: Path) -> None:
    said = benchd("log", "backup", tmp_path / "stick", "--data-dir", folder, status=1)
    assert f"{tmp_path / 'stick'}: there is no such folder: make it, or mount its disk" in said
    assert not (tmp_path / "stick").exists()


def test_paths_may_be_relative(folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    benchd("log", "backup", "copy.sqlite", "--data-dir", folder.name)
    benchd("log", "upgrade", "--data-dir", folder.name)
    benchd("log", "restore", "copy.sqlite", "--data-dir", folder.name)
    (folder / "benchd.sqlite").write_bytes(b"damaged")
    benchd("log", "restore", "copy.sqlite", "--data-dir", folder.name)
    assert len(lines(benchd("job", "list", "--data-dir", folder.name, "--json"))) == 1


def test_a_copy_goes_where_the_settings_say(folder: Path, tmp_path: Path) -> None:
    copies = tmp_path / "copies"
    copies.mkdir()
    config = tmp_path / "benchd.toml"
    supplies = {"psu": Bench("TCPIP0::192.0.2.5::5025::SOCKET")}
    config.write_text(settings_text(supplies, folder, f'[log]\nbackup_dir = "{copies}"\n'))
    benchd("log", "backup", "--config", config)
    assert len(list(copies.iterdir())) == 1
    config.write_text(settings_text(supplies, folder))
    said = benchd("log", "backup", "--config", config, status=2)
    assert "name a file or a folder for the copy, or set log.backup_dir" in said


def test_a_copy_of_what_is_not_there_is_refused(tmp_path: Path) -> None:
    assert "no such log" in benchd("log", "backup", tmp_path, "--data-dir", tmp_path / "none", status=1)
    assert "not a log of benchd" in benchd("log", "restore", __file__, "--data-dir", tmp_path, status=1)
    assert not (tmp_path / "benchd.sqlite").exists()


@pytest.mark.parametrize(
    "words", [("check",), ("check", "--repair"), ("backup",), ("thin", "--months", "1"), ("compact",), ("upgrade",)]
)
def test_a_folder_without_a_log_stays_without_one(tmp_path: Path, words: tuple[str, ...]) -> None:
    slip = tmp_path / "slip"
    assert f"{slip / 'benchd.sqlite'}: no such log" in benchd("log", *words, "--data-dir", slip, status=1)
    assert not slip.exists()
