"""A look at the whole log finds what is wrong and nothing else; a repair keeps all that can be read."""

from __future__ import annotations

import base64
import json
import sqlite3
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from benchd.jobs.job import Job
from benchd.store.checking import Checked, check
from benchd.store.codec import encode
from benchd.store.errors import LogDown, LogError
from benchd.store.holding import FolderHeld, held
from benchd.store.log import Log
from benchd.store.readable import Hole, keyed, numbered, open_damaged
from benchd.store.repairing import repair
from benchd.store.rows_of import TABLES
from benchd.traces.samples import Samples
from tests.store.making import MS, T0, block, same, trace_row, tripped

NOON = datetime(2026, 3, 1, 12, 0, 0, tzinfo=UTC)
ID = trace_row().id


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "benchd.sqlite"
    with Log.open(path) as db:
        db.add_job(Job("R-1", created_ns=T0))
        db.set_current_job("R-1")
        for part in range(5):
            db.add_block(block(1000, T0 + part * 1000 * MS), "R-1", ID)
        db.add_trace(trace_row(job="R-1"))
        db.add_trip(tripped(), "R-1", ID)
        db.followers.advance("influxdb", 3)
    return path


def change(path: Path, sql: str, *args: object) -> None:
    db = sqlite3.connect(path)
    with db:
        db.execute(sql, args)
    db.close()


def texts(found: Checked) -> list[str]:
    return [fault.text for fault in found.faults]


def test_every_table_of_the_log_is_looked_at(path: Path) -> None:
    with Log.open(path, read_only=True) as db:
        tables = {row[0] for row in db.rows("SELECT name FROM sqlite_master WHERE type = 'table'")}
        assert tables - {"sqlite_sequence"} == set(TABLES)
        for table, shape in TABLES.items():
            columns = [row[1] for row in db.rows(f"PRAGMA table_info({table})")]
            assert sorted(shape.columns.split(", ")) == sorted(columns), table


def test_a_sound_log_is_sound_also_while_it_is_written(path: Path) -> None:
    with Log.open(path) as db, db.transaction():
        db.add_entry("note")  # not committed: not looked at
        found = check(path)
    assert found.sound
    assert found.faults == []
    assert found.readings == 5000
    assert (found.counted["blocks"], found.counted["traces"], found.counted["trips"]) == (5, 1, 1)
    before = path.read_bytes()
    assert repair(path, NOON).kept is None
    assert path.read_bytes() == before


DAMAGE: list[tuple[str, tuple[object, ...], str]] = [
    ("UPDATE blocks SET data = substr(data, 1, 40) WHERE seq = 2", (), "number 2: damaged block"),
    ("UPDATE blocks SET data = 'text' WHERE seq = 2", (), "number 2: "),
    ("UPDATE blocks SET n = 999 WHERE seq = 2", (), "it says 999 readings"),
    ("UPDATE blocks SET t1_ns = t1_ns + 1 WHERE seq = 2", (), "and holds 1000"),
    ("UPDATE traces SET conditions = '{'", (), "cannot be decoded"),
    ("UPDATE traces SET end_ns = start_ns - 1", (), "5000 readings"),
    ("UPDATE trips SET record = x'00'", (), "cannot be decoded"),
    ("UPDATE trips SET figures = '[]'", (), "cannot be decoded"),
    ("UPDATE journal SET payload = 'x' WHERE seq = 2", (), "number 2: it cannot be decoded"),
    ("UPDATE jobs SET device = CAST(x'ff41' AS TEXT)", (), "no UTF-8"),
    ("UPDATE traces SET job = 'R-9'", (), "of job 'R-9', which is not there"),
    ("DELETE FROM jobs", (), "of job 'R-1', which is not there"),
    ("UPDATE cursors SET seq = 99", (), "influxdb stands at 99"),
    ("DROP INDEX traces_job", (), "traces_job is missing"),
    ("DELETE FROM blocks", (), "5000 of its 5000 readings are not there"),
]


@pytest.mark.parametrize(("sql", "args", "said"), DAMAGE)
def test_what_is_wrong_is_told_and_repaired(path: Path, sql: str, args: tuple[object, ...], said: str) -> None:
    if "conditions" in sql:  # an expression index would refuse what is no JSON
        change(path, "DROP INDEX traces_board")
    before = path.read_bytes()
    change(path, sql, *args)
    found = check(path)
    assert not found.sound
    assert any(said in text for text in texts(found)), texts(found)
    assert path.read_bytes() != before
    damaged = path.read_bytes()
    repaired = repair(path, NOON)
    assert repaired.kept is not None
    assert repaired.kept.read_bytes() == damaged
    again = check(path)
    assert again.sound, texts(again)
    with Log.open(path, read_only=True) as db:
        assert db.current_job() == ("R-1" if db.job("R-1") else None)
        assert [entry.kind for entry in db.journal()].count("repaired") == 1
    assert repair(path, NOON).kept is None  # and there is nothing left to do


def test_readings_that_cannot_be_unpacked_are_set_aside_whole(path: Path) -> None:
    change(path, "UPDATE blocks SET data = CAST(substr(data, 1, 40) || x'ff' AS BLOB) WHERE seq = 2")
    with Log.open(path, read_only=True) as db:
        (row,) = db.rows("SELECT data FROM blocks WHERE seq = 2")
    fault = check(path).faults[0]
    assert (fault.from_ns, fault.to_ns) == (T0 + 1000 * MS, T0 + 1999 * MS)
    repaired = repair(path, NOON)
    assert repaired.aside is not None
    assert repaired.set_aside == 1
    (line,) = repaired.aside.read_text().splitlines()
    told = json.loads(line)
    assert (told["table"], told["row"]["seq"], told["row"]["job"]) == ("blocks", 2, "R-1")
    assert base64.b64decode(told["row"]["data"]["base64"]) == row[0]
    with Log.open(path) as db:
        left = db.samples("psu-a", 1, 0, 2**62)
        wanted = Samples.concat(Samples.from_block(block(1000, T0 + part * 1000 * MS)) for part in (0, 2, 3, 4))
        assert same(left, wanted)
        assert db.add_entry("note").seq > 5  # numbers count on


def test_the_readings_that_a_kill_takes_are_told_and_no_damage(path: Path) -> None:
    """The trace is filed at once, its last readings within 250 ms."""
    change(path, "DELETE FROM blocks WHERE seq = 5")
    with Log.open(path) as db:
        db.add_block(block(800, T0 + 4000 * MS), "R-1", ID)
    found = check(path)
    assert found.sound
    assert "200 of its 5000 readings are not there (0.20 s of 5.00 s), as after a kill" in texts(found)[0]


def test_thinned_readings_are_not_missed(path: Path) -> None:
    few = encode(Samples.from_block(block(1000, T0)))
    change(path, "UPDATE blocks SET thinned_from = 4000 WHERE seq = 1")
    change(path, "DELETE FROM blocks WHERE seq > 2")
    change(path, "UPDATE blocks SET data = ? WHERE seq = 1", few)
    assert check(path).sound


def test_lost_readings_are_told_once(path: Path) -> None:
    change(path, "DELETE FROM blocks WHERE seq < 5")
    change(path, "DROP INDEX traces_job")
    with Log.open(path) as db:  # 16 s of 20 s
        db.rows("UPDATE traces SET end_ns = end_ns + 15000000000")
    repaired = repair(path, NOON)
    assert [fault.trace for fault in repaired.lost] == [ID]
    found = check(path)
    assert found.sound
    assert "as the journal says since a repair" in texts(found)[0]


def test_what_can_be_read_past_a_page_that_cannot_is_read(path: Path) -> None:
    with Log.open(path) as db, db.transaction():
        db.rows("INSERT INTO journal SELECT -seq, t_ns, kind, job, supply, channel, trace, payload FROM journal")
        for n in range(2000):
            db.add_entry("note", payload={"text": f"{n} " * 30})
    db_pages = sqlite3.connect(path)
    db_pages.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    db_pages.close()
    data = path.read_bytes()
    at = data.index(b'"1000 1000 ') // 4096 * 4096
    path.write_bytes(data[:at] + bytes(4096) + data[at + 4096 :])
    old = open_damaged(path)
    rows = list(numbered(old, "journal", "seq, t_ns"))
    old.close()
    holes = [row for row in rows if isinstance(row, Hole)]
    assert len(holes) == 1
    (hole,) = holes
    numbers = [row[0] for row in rows if not isinstance(row, Hole)]
    assert hole.before is not None
    assert hole.after is not None
    assert numbers == [-4, -3, -2, -1, *range(1, hole.after + 1), *range(hole.before, numbers[-1] + 1)]
    assert numbers[-1] > 2000
    assert 10 < hole.before - hole.after < 100
    found = check(path)
    told = next(fault for fault in found.faults if fault.where == "journal")
    assert told.from_ns is not None
    assert told.to_ns is not None
    assert repair(path, NOON).rows > 1900


def test_a_small_table_is_read_from_both_ends(path: Path) -> None:
    class Broken:
        def execute(self, sql: str) -> list[tuple[str]]:
            class Rows(list[tuple[str]]):
                def __iter__(self):  # type: ignore[no-untyped-def]
                    yield from ([("a",), ("b",)] if "ASC" in sql else [("z",), ("y",)])
                    raise sqlite3.DatabaseError("malformed")

            return Rows()

    rows = list(keyed(Broken(), "bench", "key", "key"))  # type: ignore[arg-type]
    assert rows[:4] == [("a",), ("b",), ("z",), ("y",)]
    assert isinstance(rows[4], Hole)


@pytest.mark.parametrize(
    ("make", "kind", "said"),
    [
        (lambda path: None, LogDown, "unable to open"),
        (lambda path: path.write_bytes(b""), LogError, "no log of benchd"),
        (lambda path: change(path, "CREATE TABLE x (y)"), LogError, "another program"),
        (lambda path: (Log.open(path).close(), change(path, "PRAGMA user_version = 99")), LogError, "newer benchd"),
        (lambda path: (Log.open(path).close(), change(path, "PRAGMA user_version = 2")), LogError, "log upgrade"),
    ],
)
def test_what_is_no_log_of_this_version_is_refused(
    tmp_path: Path, make: Callable[[Path], object], kind: type[LogError], said: str
) -> None:
    file = tmp_path / "benchd.sqlite"
    make(file)
    for act in (lambda: check(file), lambda: repair(file, NOON)):
        with pytest.raises(kind, match=said):
            act()


def test_a_file_of_which_nothing_is_left_is_no_log_any_more(path: Path) -> None:
    path.write_bytes(b"\xff" * 8192)
    assert "nothing can be read" in texts(check(path))[0]
    with pytest.raises(LogError, match="log restore"):
        repair(path, NOON)
    assert path.read_bytes() == b"\xff" * 8192


def test_nothing_is_repaired_while_the_daemon_runs(path: Path) -> None:
    with held(path.parent), pytest.raises(FolderHeld):
        repair(path, NOON)
