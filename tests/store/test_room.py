"""Room on the log's disk is told of before it is used up."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from benchd.daemon import alarms
from benchd.store import room
from benchd.store.log import Log
from benchd.store.room import LEAST_BYTES, Room
from benchd.store.writer import LogWriter
from tests.store.making import T0, block, until


@pytest.fixture
def free(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """What the disk has free, in blocks of 4096 bytes."""
    has = [10**6]
    real = os.statvfs

    def statvfs(path: Path) -> os.statvfs_result:
        kept = list(real(path)[:11])
        kept[1], kept[4] = 4096, has[0]
        return os.statvfs_result(kept)

    monkeypatch.setattr(room.os, "statvfs", statvfs)
    return has


def test_little_room_is_told_and_enough_again(tmp_path: Path, free: list[int]) -> None:
    held = Room(tmp_path / "l.sqlite", 0.0)
    held.look(0.0)
    assert (held.free_bytes, held.file_bytes, held.warning) == (4_096_000_000, 0, "")
    free[0] = LEAST_BYTES // 4096  # a little less than allowed
    held.look(1.0)
    assert held.warning == (
        "the log's disk has 500 MB free, wanted are 500 MB: "
        f"free some space where {tmp_path / 'l.sqlite'} is; recording stops when it is full"
    )
    free[0] += 1
    held.look(2.0)
    assert held.warning == ""


def test_a_day_at_the_present_pace_is_wanted(tmp_path: Path, free: list[int]) -> None:
    held = Room(tmp_path / "l.sqlite", 0.0)
    held.took(36_000_000)  # in a minute; an hour of that is the least that counts
    held.look(60.0)
    assert "has 4096 MB free, wanted are 4320 MB (a day of readings at the present pace)" in held.warning
    held.look(2 * 3600.0)
    assert held.warning == ""


def test_a_disk_that_cannot_be_asked_is_not_known(tmp_path: Path) -> None:
    held = Room(tmp_path / "gone" / "l.sqlite", 0.0)
    held.look(0.0)
    assert (held.free_bytes, held.file_bytes, held.warning) == (None, None, "")


def test_the_writer_tells_it_while_it_writes(tmp_path: Path, free: list[int]) -> None:
    free[0] = 1000
    writer = LogWriter(tmp_path / "l.sqlite", join_every_s=0.05)
    try:
        until(lambda: writer.health()["free_bytes"] == 4_096_000)
        health = writer.health()
        assert (health["state"], health["file_bytes"] > 0) == ("ok", True)
        assert alarms.of_log(health) == [health["text"]]
        assert health["text"].startswith("the log's disk has 4 MB free")
        free[0] = 10**6
        until(lambda: writer.health()["text"] == "")
        assert alarms.of_log(writer.health()) == []
    finally:
        writer.close()


def test_work_on_the_file_as_a_whole_is_in_no_transaction(tmp_path: Path) -> None:
    writer = LogWriter(tmp_path / "l.sqlite")
    try:
        done = writer.submit(lambda log: log.rows("VACUUM"), bare=True)
        assert done.result(10) == []
        refused = writer.submit(lambda log: log.rows("VACUUM"))
        assert "cannot VACUUM from within a transaction" in str(refused.exception(10))
    finally:
        writer.close()


OTHER = """
import sys
from benchd.store.log import Log
with Log.open(sys.argv[1]) as log:
    for n in range(150):
        log.add_entry("note", job="other", payload={"n": n})
"""


def test_two_processes_that_write_lose_nothing_and_never_stand_still(tmp_path: Path) -> None:
    path = tmp_path / "l.sqlite"
    writer = LogWriter(path, commit_every_s=0.01, join_every_s=0.05)
    others = [subprocess.Popen([sys.executable, "-c", OTHER, path]) for _ in range(2)]
    futures, sent = [], 0
    while any(other.poll() is None for other in others) and sent < 20_000:
        writer.put_block(block(50, T0 + sent * 50 * 10**6))
        sent += 1
        futures.append(writer.submit(lambda log: log.add_entry("note", job="daemon")))
        futures[-1].result(30)
    assert [other.wait(30) for other in others] == [0, 0]
    writer.close()
    assert writer.health()["dropped"] == 0
    with Log.open(path, read_only=True) as log:
        assert log.rows("SELECT sum(n) FROM blocks") == [(sent * 50,)]
        assert log.rows("SELECT job, count(*) FROM journal GROUP BY job ORDER BY job") == [
            ("daemon", len(futures)),
            ("other", 300),
        ]


@pytest.mark.skipif(not Path("/proc/self/fd").exists(), reason="this system does not tell what a process has open")
@pytest.mark.parametrize("end", ["", "-wal"])
def test_a_file_that_is_taken_away_under_the_writer_is_told_at_once(tmp_path: Path, end: str) -> None:
    """SQLite goes on writing into a file that has no name any more: nothing fails, and nothing of it lasts."""
    writer = LogWriter(tmp_path / "l.sqlite", join_every_s=0.05)
    try:
        writer.put_block(block(10, T0))
        until(lambda: writer.health()["file_bytes"] and not writer.health()["waiting"])
        assert writer.health()["state"] == "ok"
        (tmp_path / f"l.sqlite{end}").unlink()
        until(lambda: writer.health()["state"] == "failing")
        (warning,) = alarms.of_log(writer.health())
        assert f"l.sqlite{end} was deleted or replaced while the daemon writes to it" in warning
        assert "restart the daemon" in warning
    finally:
        writer.close()
