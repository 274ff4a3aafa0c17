"""A log of every earlier version comes forward with all that is in it, after a copy; or it stays as it was."""

from __future__ import annotations

import json
import os
import shutil
import signal
import sqlite3
import stat
import subprocess
import sys
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from benchd.cli.main import app
from benchd.jobs.job import Job
from benchd.store import codec, copying, migrations
from benchd.store.holding import held
from benchd.store.log import Log, LogDown, LogError
from benchd.traces.samples import Samples
from tests.store.making import T0, block, tripped

NEWEST = len(migrations.STEPS)
OLD = range(1, NEWEST)


LATER = {
    ("jobs", "history"): "", ("jobs", "wanted_back"): "", ("jobs", "battery"): "", ("jobs", "accessories"): "",
    ("jobs", "consent"): "[]", ("jobs", "state"): "taken-in", ("jobs", "changed_ns"): 5, ("jobs", "version"): 1,
}  # fmt: skip
"""What columns that came later say of rows from before; those that are not here: nothing (NULL)."""


def old_log(path: Path, version: int) -> Path:
    """A log as a benchd of that version left it, with something in every table; written without today's code."""
    import msgspec

    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        db.execute("PRAGMA journal_mode = WAL")
        for step in migrations.STEPS[:version]:
            db.executescript(step)
        db.execute(f"PRAGMA application_id = {migrations.APPLICATION_ID}")
        db.execute(f"PRAGMA user_version = {version}")
        data = codec.encode(Samples.from_block(block(500)))
        record = msgspec.msgpack.encode(tripped())
        conditions, finding = (
            '{"board":"demo-a","limit_a":1.0}',
            '{"signature":"low-stall","confidence":0.9,"evidence":[]}',
        )
        for sql, *args in (
            ("INSERT INTO bench VALUES ('log', 'abc123'), ('current-job', 'R-1')",),
            ("INSERT INTO jobs (id, device, board, symptom, created_ns)"
             " VALUES ('R-1', 'phone; blue', 'demo-a', 'no \"start\"', 5)",),
            ("INSERT INTO journal (t_ns, kind, job, payload) VALUES (7, 'note', 'R-1', '{\"text\":\"a; b\"}')",),
            ("INSERT INTO traces VALUES ('T', 'R-1', 'psu-a', 1, ?, ?, 'off', ?, '[]', ?, 500, 0.1, 0.2, 0.3)",
             T0, T0 + 10**9, conditions, finding),
            ("INSERT INTO blocks (supply, channel, job, trace, t0_ns, t1_ns, n, half_trip_ns, dropped, data)"
             " VALUES ('psu-a', 1, 'R-1', 'T', ?, ?, 500, 1, 0, ?)", T0, T0 + 499_000_000, data),
            ("INSERT INTO trips (detected_ns, supply, channel, job, trace, rule, record)"
             " VALUES (?, 'psu-a', 1, 'R-1', 'T', 'short', ?)", T0, record),
            ("INSERT INTO cursors VALUES ('influxdb', 1, 0)",),
            ("INSERT INTO rejected (follower, seq, t_ns, reason, item) VALUES ('influxdb', 1, 2, '400', 'x y=1')",),
            ("INSERT INTO settings_changes (t_ns, settings) VALUES (1, '{}')",),
        ):  # fmt: skip
            db.execute(sql, args)
        if version >= 6:
            db.execute("UPDATE jobs SET changed_ns = created_ns")  # as whoever made it did
    return path


def rows(path: Path) -> dict[str, list[dict[str, Any]]]:
    """All rows of all tables, by column."""
    with closing(sqlite3.connect(path)) as db:
        db.row_factory = sqlite3.Row
        tables = [r[0] for r in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        return {table: [dict(row) for row in db.execute(f"SELECT * FROM {table}")] for table in tables}


def version(path: Path) -> int:
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        return int(db.execute("PRAGMA user_version").fetchone()[0])


@pytest.mark.parametrize("old", OLD)
def test_every_earlier_version_comes_forward_with_all_that_is_in_it(tmp_path: Path, old: int) -> None:
    path = old_log(tmp_path / "l.sqlite", old)
    path.chmod(0o600)
    before = rows(path)
    with Log.open(path) as log:
        assert log.log_id == "abc123"
        assert log.current_job() == "R-1"
        assert len(log.samples("psu-a", 1, T0, T0 + 10**9)) == 500
        assert [trip.tripped for trip in log.trips()] == [tripped()]
        assert [row.id for row in log.traces("R-1")] == ["T"]
        assert log.jobs() == [Job("R-1", "phone; blue", "demo-a", 'no "start"', 5, changed_ns=5, version=1)]
    assert version(path) == NEWEST
    after = rows(path)
    for table, had in before.items():
        if table != "sqlite_sequence":
            for row, new in zip(had, after[table], strict=True):
                # A column that came later says nothing yet.
                assert new == {key: LATER.get((table, key)) for key in new} | row, table
    copy = tmp_path / f"l.sqlite.before-v{NEWEST}"
    assert version(copy) == old
    assert rows(copy) == before
    assert stat.S_IMODE(copy.stat().st_mode) == 0o600
    assert sorted(each.name for each in tmp_path.iterdir()) == ["l.sqlite", copy.name]


def test_a_new_file_and_one_that_is_up_to_date_are_not_copied(tmp_path: Path) -> None:
    for _ in range(2):
        Log.open(tmp_path / "l.sqlite").close()
        assert [each.name for each in tmp_path.iterdir()] == ["l.sqlite"]


def test_what_nobody_has_checkpointed_is_in_the_copy_too(tmp_path: Path) -> None:
    path = old_log(tmp_path / "l.sqlite", 4)
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("INSERT INTO bench VALUES ('late', 'here')")
        with Log.open(path):  # the other connection keeps the -wal file in place
            pass
    assert {"key": "late", "value": "here"} in rows(migrations.copy_before(path))["bench"]


def test_a_copy_of_an_earlier_try_is_replaced_and_no_other_file(tmp_path: Path) -> None:
    path = old_log(tmp_path / "l.sqlite", 3)
    copy = migrations.copy_before(path)
    shutil.copy(old_log(tmp_path / "other.sqlite", 2), copy)  # of the same log, older
    Log.open(path).close()
    assert version(copy) == 3

    for name in ("text", "newer", "another"):
        folder = tmp_path / name
        folder.mkdir()
        path = old_log(folder / "l.sqlite", 3)
        copy = migrations.copy_before(path)
        if name == "text":
            copy.write_text("somebody's notes")
        elif name == "newer":
            Log.open(copy).close()
        else:
            with closing(sqlite3.connect(old_log(copy, 2))) as db, db:
                db.execute("UPDATE bench SET value = 'fff' WHERE key = 'log'")
        was, there = rows(path), copy.read_bytes()
        with pytest.raises(LogDown, match=r"l\.sqlite: .*that is not an older copy of this log: move it away"):
            Log.open(path)
        assert rows(path) == was
        assert copy.read_bytes() == there


def test_without_room_for_the_copy_nothing_is_changed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = old_log(tmp_path / "l.sqlite", 4)
    was = rows(path)
    usage = shutil.disk_usage(tmp_path)
    monkeypatch.setattr(copying.shutil, "disk_usage", lambda _: usage._replace(free=10_000))
    with pytest.raises(
        LogDown, match=r"it is copied, and that failed \(nothing was changed\).*0\.0 MB free; free some"
    ):
        Log.open(path)
    assert rows(path) == was
    assert version(path) == 4
    monkeypatch.undo()
    Log.open(path).close()
    assert version(path) == NEWEST


LIMITED = """
import pathlib, resource, signal, sys
from benchd.store.holding import held
from benchd.store.log import Log, LogDown
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
path = pathlib.Path(sys.argv[1])
resource.setrlimit(resource.RLIMIT_FSIZE, (path.stat().st_size // 2, resource.RLIM_INFINITY))
try:
    Log.open(path)
except LogDown as e:
    print(e)
"""


def test_a_copy_that_the_system_refuses_to_write_changes_nothing(tmp_path: Path) -> None:
    path = old_log(tmp_path / "l.sqlite", 4)
    was = rows(path)
    said = subprocess.run([sys.executable, "-c", LIMITED, path], capture_output=True, text=True, timeout=60)
    assert "it is copied, and that failed (nothing was changed)" in said.stdout, said.stderr
    assert rows(path) == was
    assert [each.name for each in tmp_path.iterdir()] == ["l.sqlite"]


KILLED = """
import os, pathlib, signal, sqlite3, sys
from benchd.store import copying, migrations

def end(*_):
    os.kill(os.getpid(), signal.SIGKILL)

class Db:
    "A connection whose process is killed at a statement: by its number, or by its text."
    left = 999
    def __init__(self, db):
        self._db = db
    def execute(self, *sql):
        self.left -= 1
        if self.left < 0 or sql[0] == at:
            end()
        return self._db.execute(*sql)
    in_transaction = property(lambda self: self._db.in_transaction)

path, at = pathlib.Path(sys.argv[1]), sys.argv[2]
if at == "copying":
    copying.sync_file = end
elif at == "copied":
    copying.os.replace = end
elif at != "COMMIT":
    Db.left = int(at)
db = sqlite3.connect(path, isolation_level=None)
db.execute("PRAGMA cache_size = 1")  # so that what is half done is in the file's -wal already
migrations.migrate(Db(db), path)
"""


@pytest.mark.parametrize("at", ["copying", "copied", "9", "14", "22", "COMMIT"])
def test_killed_at_any_point_it_is_as_before_and_comes_forward_later(tmp_path: Path, at: str) -> None:
    path = old_log(tmp_path / "l.sqlite", 3)
    was = rows(path)
    done = subprocess.run([sys.executable, "-c", KILLED, path, at], capture_output=True, text=True, timeout=60)
    assert done.returncode == -signal.SIGKILL, done.stderr
    assert rows(path) == was
    assert version(path) == 3
    Log.open(path).close()
    assert version(path) == NEWEST
    assert rows(migrations.copy_before(path)) == was
    assert len(list(tmp_path.glob("*.part"))) == 0


def test_a_damaged_file_is_left_as_it_is(tmp_path: Path) -> None:
    path = old_log(tmp_path / "l.sqlite", 4)
    with closing(sqlite3.connect(path)) as db:
        (page,) = db.execute("SELECT rootpage FROM sqlite_master WHERE name = 'traces'").fetchone()
        (size,) = db.execute("PRAGMA page_size").fetchone()
    with path.open("r+b") as file:
        file.seek((page - 1) * size)
        file.write(b"\xa5" * size)
    was = path.read_bytes()
    with pytest.raises(LogError, match=r"l\.sqlite: .*the file is damaged"):
        Log.open(path)
    assert path.read_bytes() == was


def test_a_reader_does_not_take_it_forward_but_says_what_does(tmp_path: Path) -> None:
    path = old_log(tmp_path / "benchd.sqlite", 4)
    run = CliRunner()
    told = run.invoke(app, ["job", "list", "--data-dir", str(tmp_path)])
    assert told.exit_code == 1
    assert "the log has version 4, this benchd reads version 7; `benchd log upgrade` takes it forward" in told.stderr
    assert version(path) == 4
    done = run.invoke(app, ["log", "upgrade", "--data-dir", str(tmp_path), "--json"])
    copy = str(migrations.copy_before(path))
    assert json.loads(done.stdout) == {"file": str(path), "version": NEWEST, "before": 4, "copy": copy}
    again = run.invoke(app, ["log", "upgrade", "--data-dir", str(tmp_path)])
    assert again.stdout == f"{path}: has version {NEWEST}\n"
    assert run.invoke(app, ["job", "list", "--data-dir", str(tmp_path)]).exit_code == 0
    missing = run.invoke(app, ["log", "upgrade", "--data-dir", str(tmp_path / "none")])
    assert (missing.exit_code, "no such log" in missing.stderr) == (1, True)
    assert not (tmp_path / "none").exists()
    other = tmp_path / "other"
    other.mkdir()
    (other / "benchd.sqlite").write_text("no database at all " * 99)
    refused = run.invoke(app, ["log", "upgrade", "--data-dir", str(other)])
    assert (refused.exit_code, "not a log of benchd" in refused.stderr) == (1, True)


def test_a_running_daemon_is_not_overtaken(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = old_log(tmp_path / "benchd.sqlite", 4)
    monkeypatch.setattr("benchd.cli.daemon_link.daemon_url", lambda _: f"http://127.0.0.1:{os.getpid()}")
    refused = CliRunner().invoke(app, ["log", "upgrade", "--data-dir", str(tmp_path)])
    assert refused.exit_code == 1
    assert "writes this log, whose version is 4: end it first" in refused.stderr
    assert version(path) == 4
    monkeypatch.undo()
    with held(tmp_path):  # one that does not answer yet, or another command
        refused = CliRunner().invoke(app, ["log", "upgrade", "--data-dir", str(tmp_path)])
    assert (refused.exit_code, "in use by the daemon or another command" in refused.stderr) == (1, True)
    assert version(path) == 4
