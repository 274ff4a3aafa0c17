"""Copies of the log: whole, of one moment, never over anything else; and one put back."""

from __future__ import annotations

import sqlite3
import threading
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from benchd.jobs.job import Job
from benchd.store import backup as copies
from benchd.store import copying
from benchd.store.copying import copy_database
from benchd.store.errors import LogDown, LogError
from benchd.store.holding import FolderHeld, held
from benchd.store.in_place import put_in_place
from benchd.store.log import Log
from benchd.store.repairing import repair
from benchd.store.writer import LogWriter
from tests.store.making import MS, T0, block, same, trace_row, tripped

NOON = datetime(2026, 3, 1, 12, 0, 0, tzinfo=UTC)


@pytest.fixture
def log(tmp_path: Path) -> Path:
    folder = tmp_path / "bench"
    path = folder / "benchd.sqlite"
    with Log.open(path) as db:
        db.add_job(Job("R-1", created_ns=1))
        db.add_block(block(5000), "R-1", trace_row().id)
        db.add_trace(trace_row(job="R-1"))
        db.add_trip(tripped(), "R-1")
    return path


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = tmp_path / "copies"
    made.mkdir()
    return made


def jobs(path: Path) -> list[str]:
    with Log.open(path, read_only=True) as db:
        return [job.id for job in db.jobs()]


def contents(folder: Path) -> dict[str, bytes]:
    """Of all files but those that SQLite makes for who reads."""
    return {p.name: p.read_bytes() for p in folder.iterdir() if p.exists() and not p.name.endswith(("-shm", "-wal"))}


def damage(path: Path, pages: range = range(1, 1000)) -> None:
    """These pages (counted from 0) begin with other bytes."""
    data = bytearray(path.read_bytes())
    size = int.from_bytes(data[16:18], "big")  # of a page: https://www.sqlite.org/fileformat2.html#page_size
    for page in pages[: len(data) // size - pages.start]:
        data[page * size : page * size + 64] = b"\xa5" * 64
    path.write_bytes(data)


def test_a_copy_is_whole_and_needs_no_other_file(log: Path, folder: Path) -> None:
    copy = copies.backup(log, folder, NOON)
    assert [path.name for path in folder.iterdir()] == [copy.name]
    assert copy.name.endswith("-20260301-120000Z.sqlite")
    with Log.open(log, read_only=True) as one, Log.open(copy, read_only=True) as two:
        assert same(one.samples("psu-a", 1, 0, 2**62), two.samples("psu-a", 1, 0, 2**62))
        assert one.trips() == two.trips()
        assert one.log_id == two.log_id
    assert [path.name for path in folder.iterdir()] == [copy.name]
    assert copies.made_at(copy) == NOON
    assert copies.copies_in(folder, copies.log_id(log)) == [copy]


def test_a_copy_made_while_the_log_is_written_is_of_one_moment(
    log: Path, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two rows that are committed together are both in it or neither; the copy does not begin anew at each commit."""
    with Log.open(log) as db:
        for n in range(60):
            db.add_block(block(8000, T0 + (n + 10) * 10_000 * MS, supply="big"))
    monkeypatch.setattr(copying, "STEP_PAGES", 3)
    shares: list[float] = []
    writer = LogWriter(log)
    ended = threading.Event()

    def write() -> None:
        n = 0
        while not ended.is_set():
            n += 1
            writer.submit(lambda db, n=n: (db.add_entry("note", payload={"n": n}), db.add_job(Job(f"J-{n}")))).result()

    thread = threading.Thread(target=write)
    thread.start()
    try:
        copy = copies.backup(log, folder / "x.sqlite", NOON, shares.append)
    finally:
        ended.set()
        thread.join()
        writer.close()
    assert len(shares) > 50
    assert shares == sorted(shares)
    with Log.open(copy, read_only=True) as db:
        noted = [entry.payload["n"] for entry in db.journal(kinds=["note"], limit=-1)]
        assert {f"J-{n}" for n in noted} == set(jobs(copy)) - {"R-1"}


def test_what_is_no_older_copy_of_this_log_is_not_overwritten(log: Path, folder: Path, tmp_path: Path) -> None:
    (folder / "text").write_text("not a log" * 1000)
    Log.open(folder / "other").close()
    (folder / "link").symlink_to(folder / "new")
    in_use = Path(copies.backup(log, folder / "in-use", NOON))
    in_use.with_name("in-use-wal").write_bytes(b"x")
    before = contents(folder)
    for name, said in (
        ("text", "not a log"),
        ("other", "it holds the log"),
        ("link", "older copy"),
        ("in-use", "in use"),
    ):
        with pytest.raises(LogError, match=said):
            copies.backup(log, folder / name, NOON)
    for name in ("benchd.sqlite", "benchd.sqlite-wal"):
        with pytest.raises(LogError, match="the log itself"):
            copies.backup(log, log.with_name(name), NOON)
    with pytest.raises(LogDown, match="no such folder"):
        copies.backup(log, tmp_path / "none" / "x", NOON)
    assert contents(folder) == before


def test_an_older_copy_of_the_same_log_is_replaced(log: Path, folder: Path) -> None:
    copies.backup(log, folder / "x", NOON)
    with Log.open(log) as db:
        db.add_job(Job("R-2"))
    copies.backup(log, folder / "x", NOON)
    assert set(jobs(folder / "x")) == {"R-1", "R-2"}


def test_a_damaged_log_gives_no_copy_and_the_older_one_stays(log: Path, folder: Path) -> None:
    copy = copies.backup(log, folder / "x", NOON)
    before = copy.read_bytes()
    damage(log)
    with pytest.raises(LogError, match=r"damaged|malformed"):
        copies.backup(log, copy, NOON)
    assert copy.read_bytes() == before
    assert [path.name for path in folder.iterdir()] == ["x"]


def test_a_copy_that_is_broken_off_leaves_nothing(log: Path, folder: Path) -> None:
    def enough(share: float) -> None:
        raise InterruptedError

    with pytest.raises(LogError):
        copies.backup(log, folder, NOON, enough)
    assert list(folder.iterdir()) == []


def test_the_newest_are_kept_and_nobody_elses_are_touched(log: Path, folder: Path) -> None:
    own = copies.log_id(log)
    others = [folder / f"benchd-{'0' * 12}-20200101-000000Z.sqlite", folder / f"benchd-{own}.sqlite", folder / "notes"]
    for other in others:
        other.write_text("somebody's")
    made = [copies.backup(log, folder, NOON + timedelta(days=n)) for n in (2, 0, 1)]
    killed = folder / f"benchd-{own}-20260301-110000Z.sqlite.part"
    killed.write_text("of a kill")
    assert copies.keep_newest(folder, own, 2) == [made[1]]
    assert set(folder.iterdir()) == {made[0], made[2], *others}
    assert copies.known_backups(log, folder) == [made[2], made[0]]
    assert copies.known_backups(log, None) == []


def test_a_restored_log_is_as_its_copy_and_the_other_is_kept(log: Path, folder: Path) -> None:
    copy = copies.backup(log, folder, NOON)
    with Log.open(log) as db:
        db.add_job(Job("R-2"))
        last = db.add_entry("note").seq
    kept = copies.restore(log, copy, NOON)
    assert kept is not None
    assert jobs(log) == ["R-1"]
    assert set(jobs(kept)) == {"R-1", "R-2"}
    assert copies.known_backups(log, folder) == [copy, kept]
    with Log.open(log) as db:  # an event's number, by which consumers drop repeats, is not given twice
        assert db.add_entry("note").seq == last + 1
    again = copies.restore(log, copy, NOON)
    assert again not in (None, kept)


def test_the_log_is_readable_to_the_same_people_afterwards(log: Path, folder: Path) -> None:
    log.chmod(0o600)
    copy = copies.backup(log, folder, NOON)
    assert copy.stat().st_mode & 0o777 == 0o600
    copy.chmod(0o644)  # it has been on a stick, say
    copies.restore(log, copy, NOON)
    assert log.stat().st_mode & 0o777 == 0o600
    with sqlite3.connect(log) as db:
        db.execute("UPDATE journal SET payload = '{' WHERE seq = 1")
    db.close()
    done = repair(log, NOON)
    assert done.kept is not None
    assert done.aside is not None
    assert {each.stat().st_mode & 0o777 for each in (log, done.kept, done.aside)} == {0o600}


def test_numbers_are_left_out_where_nobody_knows_how_far_the_lost_log_counted(log: Path, folder: Path) -> None:
    copy = copies.backup(log, folder, NOON)
    damage(log)
    log.write_bytes(b"\x00" * 100 + log.read_bytes()[100:])
    kept = copies.restore(log, copy, NOON)
    assert kept is not None
    assert kept.read_bytes()[:100] == b"\x00" * 100
    with Log.open(log) as db:
        assert db.add_entry("note").seq > copies.SKIPPED


def test_what_is_not_sound_is_not_restored(log: Path, folder: Path) -> None:
    copy = copies.backup(log, folder, NOON)
    before = contents(log.parent)
    newer = folder / "newer"
    newer.write_bytes(copy.read_bytes())
    with sqlite3.connect(newer) as db:
        db.execute("PRAGMA user_version = 99")
    db.close()
    late = folder / "late"
    late.write_bytes(copy.read_bytes())
    with sqlite3.connect(late) as db:  # it opens, and reads in part
        page = db.execute("SELECT rootpage FROM sqlite_master WHERE name = 'blocks_time'").fetchone()[0]
    db.close()
    damage(late, range(page - 1, page))
    damage(copy)
    cut = folder / "cut"
    cut.write_bytes(late.read_bytes()[: 4096 * 3])
    for given in (copy, newer, late, cut, folder / "none", log, folder):
        with pytest.raises(LogError) as refused:
            copies.restore(log, given, NOON)
        assert "log check" not in str(refused.value)  # that looks at the log, not at a copy
    with pytest.raises(LogError, match=f"{cut}: .*take another copy"):
        copies.restore(log, cut, NOON)
    after = contents(log.parent)
    after.pop("daemon.lock", None)
    assert after == before


def test_a_file_system_without_hard_links_does_as_well(
    log: Path, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def none(*_: object) -> None:
        raise PermissionError(1, "Operation not permitted")

    copy = copies.backup(log, folder, NOON)
    monkeypatch.setattr("os.link", none)
    kept = copies.restore(log, copy, NOON)
    assert kept is not None
    assert jobs(log) == jobs(kept) == ["R-1"]


def test_a_file_that_cannot_take_its_place_leaves_the_old_one_with_what_waits_beside_it(
    log: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    reader = Log.open(log, read_only=True)  # so that the -wal file stays
    with Log.open(log) as db:
        db.add_job(Job("R-2"))
    new, kept = tmp_path / "new", log.with_name("kept")
    new.write_bytes(b"new")

    def fails(*_: object) -> None:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr("os.replace", fails)
    with pytest.raises(LogDown, match="the old one is there still"):
        put_in_place(new, log, kept, fold=False)
    reader.close()
    assert set(jobs(log)) == set(jobs(kept)) == {"R-1", "R-2"}
    assert new.read_bytes() == b"new"


def test_nothing_is_restored_while_the_daemon_runs(log: Path, folder: Path) -> None:
    copy = copies.backup(log, folder, NOON)
    with held(log.parent), pytest.raises(FolderHeld, match="end it first"):
        copies.restore(log, copy, NOON)


def test_a_disk_without_room_is_told_before_anything_is_written(
    log: Path, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import shutil

    monkeypatch.setattr(shutil, "disk_usage", lambda path: shutil._ntuple_diskusage(100, 100, 0))  # type: ignore[attr-defined]
    with pytest.raises(LogDown, match="no room"):
        copies.backup(log, folder, NOON)
    with pytest.raises(LogDown, match="no room"):
        copy_database(log, folder / "x")
    assert list(folder.iterdir()) == []
