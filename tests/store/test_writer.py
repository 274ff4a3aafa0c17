"""The writing thread: what it commits when, what it does when the file cannot be written, and a kill -9."""

from __future__ import annotations

import contextlib
import json
import resource
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from benchd.jobs.job import Job, JobError
from benchd.reading import Block
from benchd.store.errors import LogDamaged
from benchd.store.log import Log, LogDown, LogError
from benchd.store.writer import LogWriter
from benchd.traces.samples import Samples
from tests.store.making import MS, T0, block, same, trace_row, tripped, until


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "log.sqlite"


def count(path: Path) -> int:
    with Log.open(path, read_only=True) as log:
        return int(log.rows("SELECT coalesce(sum(n), 0) FROM blocks")[0][0])


class Switch:
    """Opens logs that fail with a SQLite error while it is on; the file is limited to its present pages."""

    def __init__(self) -> None:
        self.full = False
        self.opened: list[Log] = []

    def __call__(self, path: Path) -> Log:
        log = Log.open(path)
        self.opened.append(log)
        self.apply(log)
        return log

    def apply(self, log: Log) -> None:
        pages = log.rows("PRAGMA page_count")[0][0]
        log.rows(f"PRAGMA max_page_count = {pages if self.full else 2**30}")

    def set(self, full: bool) -> None:
        self.full = full
        if full:  # after a failure the writer opens the file afresh, which lifts the limit
            self.apply(self.opened[-1])


def test_readings_are_committed_without_being_asked(path: Path) -> None:
    writer = LogWriter(path, commit_every_s=0.02)
    told = threading.Event()
    undo = writer.on_commit(told.set)
    for i in range(8):
        writer.put_block(block(25, T0 + i * 25 * MS), "R-1", None)
    assert told.wait(10)
    until(lambda: count(path) == 200)
    until(lambda: not writer.waits("R-1"))
    undo()
    writer.close()
    with Log.open(path, read_only=True) as log:
        given = Samples.concat(Samples.from_block(block(25, T0 + i * 25 * MS)) for i in range(8))
        assert same(log.samples("psu-a", 1, 0, 2**62), given)
        assert {b.job for b in log.blocks_after(0, 99)} == {"R-1"}


def test_blocks_of_one_commit_are_one_row_per_channel_and_job(path: Path) -> None:
    writer = LogWriter(path, commit_every_s=3600, join_every_s=3600)
    for i in range(4):
        writer.put_block(block(10, T0 + i * 10 * MS), "R-1")
        writer.put_block(block(10, T0 + i * 10 * MS, channel=2), "R-1")
    writer.put_block(block(10, T0 + 40 * MS), "R-2", "t")
    assert [writer.waits(job) for job in ("R-1", "R-2", "R-3")] == [True, True, False]
    writer.close()
    with Log.open(path, read_only=True) as log:
        rows = log.rows("SELECT channel, job, trace, n FROM blocks ORDER BY seq")
    assert rows == [(1, "R-1", None, 40), (2, "R-1", None, 40), (1, "R-2", "t", 10)]


def test_small_rows_are_joined_after_a_while(path: Path) -> None:
    writer = LogWriter(path, commit_every_s=0.01, join_every_s=0.05)
    for i in range(5):
        writer.put_block(block(10, T0 + i * 10 * MS))
        until(lambda i=i: count(path) == (i + 1) * 10)

    def rows() -> int:
        with Log.open(path, read_only=True) as log:
            return len(log.rows("SELECT 1 FROM blocks"))

    until(lambda: rows() < 5)
    writer.close()
    assert count(path) == 50


def test_events_are_committed_at_once_and_answered(path: Path) -> None:
    writer = LogWriter(path, commit_every_s=3600, join_every_s=3600)
    entry = writer.submit(lambda log: log.add_trip(tripped(), "R-1")).result(10)
    with Log.open(path, read_only=True) as log:
        assert log.journal() == [entry]
    with pytest.raises(JobError):
        writer.submit(lambda log: log.add_job(Job("bad id"))).result(10)
    with pytest.raises(ZeroDivisionError):
        writer.submit(lambda log: 1 // 0).result(10)
    assert writer.health()["state"] == "ok"
    writer.close()
    with pytest.raises(LogDown, match="closed"):
        writer.submit(lambda log: None).result(10)


def test_readings_do_not_wait_behind_many_events_nor_events_behind_readings(path: Path) -> None:
    slow = threading.Event()  # never set: stands for a disk that takes its time to sync

    def work(db: Log) -> int:
        slow.wait(0.02)
        return int(db.rows("SELECT count(*) FROM blocks")[0][0])

    writer = LogWriter(path, commit_every_s=0.05)
    writer.put_block(block(10))
    seen = [future.result(20) for future in [writer.submit(work) for _ in range(30)]]
    assert seen[0] == 0
    assert seen[-1] == 1
    writer.close()
    always_due = LogWriter(path, commit_every_s=0.0)
    assert always_due.submit(lambda db: 7).result(20) == 7
    always_due.close()


def test_an_event_that_a_damaged_file_does_not_take_is_told_and_counted_and_the_rest_goes_on(path: Path) -> None:
    def damaged(db: Log) -> None:
        raise LogDamaged("journal: malformed")

    with contextlib.closing(LogWriter(path)) as writer:
        with pytest.raises(LogDamaged):
            writer.submit(damaged).result(20)
        assert writer.submit(lambda db: db.add_job(Job("R-1")).id).result(20) == "R-1"
        health = writer.health()
    assert (health["state"], health["text"], health["refused"]) == ("ok", "journal: malformed", 1)


def test_a_listener_that_fails_does_not_end_the_writing(path: Path) -> None:
    writer = LogWriter(path, commit_every_s=0.01)

    def bad() -> None:
        raise RuntimeError("event loop is closed")

    writer.on_commit(bad)
    for i in range(3):
        writer.submit(lambda log, i=i: log.add_entry("note", payload={"i": i})).result(10)
    writer.close()


def test_a_block_of_unequal_columns_is_refused_at_the_door(path: Path) -> None:
    writer = LogWriter(path)
    good = block(3)
    bad = Block("psu-a", 1, good.t_ns, good.voltage_v[:-8], good.current_a, good.mode, good.flags, 0)
    with pytest.raises(ValueError, match="psu-a channel 1: columns of unequal length"):
        writer.put_block(bad)
    writer.close()


def test_a_full_disk_is_waited_out_and_nothing_is_lost(path: Path) -> None:
    switch = Switch()
    writer = LogWriter(path, commit_every_s=0.02, retry_s=(0.02, 0.05), opener=switch)
    writer.put_block(block(100), "R-1")
    until(lambda: count(path) == 100)
    switch.set(full=True)
    for i in range(1, 40):
        writer.put_block(block(500, T0 + i * 500 * MS), "R-1")
    until(lambda: writer.health()["state"] == "failing")
    trip = writer.submit(lambda log: log.add_trip(tripped(), "R-1"))
    filed = writer.submit(lambda log: log.add_trace(trace_row()))
    long_note = "x" * 50_000
    with pytest.raises(LogDown, match="disk is full: free some space"):
        writer.submit(lambda log: log.add_entry("note", payload={"text": long_note}), keep=False).result(10)
    health = writer.health()
    assert (health["state"], health["waiting"], health["dropped"]) == ("failing", 39 * 500, 0)
    assert "disk is full" in health["text"]
    switch.set(full=False)
    assert trip.result(10).kind == "trip"
    assert filed.result(10).kind == "trace"
    until(lambda: writer.health()["state"] == "ok" and writer.health()["waiting"] == 0)
    writer.close()
    assert count(path) == 100 + 39 * 500
    with Log.open(path, read_only=True) as log:
        assert [e.kind for e in log.journal()] == ["trip", "trace"]


def test_when_the_room_is_used_up_the_oldest_readings_go_and_are_counted(path: Path) -> None:
    switch = Switch()
    writer = LogWriter(path, commit_every_s=0.02, retry_s=(0.02, 0.05), max_waiting_bytes=26 * 1000, opener=switch)
    writer.submit(lambda log: None).result(10)
    switch.set(full=True)
    with pytest.raises(LogDown):
        writer.submit(lambda log: log.add_entry("note", payload={"text": "x" * 50_000}), keep=False).result(10)
    trip = writer.submit(lambda log: log.add_trip(tripped()))
    for i in range(50):
        writer.put_block(block(100, T0 + i * 100 * MS))
    assert not trip.done()
    assert writer.health()["waiting"] == 1000
    assert writer.health()["dropped"] == 4000
    switch.set(full=False)
    trip.result(10)
    until(lambda: count(path) == 1000)
    writer.close()
    with Log.open(path, read_only=True) as log:
        assert int(log.samples("psu-a", 1, 0, 2**62).t_ns[0]) == T0 + 4000 * MS


def test_small_blocks_that_wait_for_hours_are_joined(path: Path) -> None:
    """A slow supply's blocks hold one reading each; what an outage keeps in memory is readings, not blocks."""
    switch = Switch()
    writer = LogWriter(path, commit_every_s=0.02, retry_s=(0.02, 0.05), opener=switch)
    writer.submit(lambda log: None).result(10)
    switch.set(full=True)
    with pytest.raises(LogDown):
        writer.submit(lambda log: log.add_entry("note", payload={"text": "x" * 50_000}), keep=False).result(10)
    writer.submit(lambda log: log.add_entry("note", payload={"text": "x" * 50_000}))
    for i in range(20_000):
        writer.put_block(block(1, T0 + i * MS, channel=1 + i % 2), "R-1")
    until(lambda: len(writer._blocks) < 20)
    assert writer.health()["waiting"] == 20_000
    for i in range(20_000, 20_010):
        writer.put_block(block(1, T0 + i * MS, channel=1 + i % 2), "R-1")
    switch.set(full=False)
    until(lambda: count(path) == 20_010)
    writer.close()
    with Log.open(path, read_only=True) as log:
        for channel in (1, 2):
            times = log.samples("psu-a", channel, 0, 2**62).t_ns
            assert times.tolist() == [T0 + i * MS for i in range(channel - 1, 20_010, 2)]


def test_a_caller_that_has_gone_does_not_end_the_writing(path: Path) -> None:
    """A cancelled request or follower cancels its future, whether its work succeeds, raises, or the file fails."""
    switch = Switch()
    writer = LogWriter(path, commit_every_s=0.02, retry_s=(0.02, 0.05), opener=switch)
    entered, go_on = threading.Event(), threading.Event()

    def leaves(log: Log, error: Exception | None) -> None:
        entered.set()
        go_on.wait(10)
        if error is not None:
            raise error

    for error in (None, ValueError("its own"), LogDown("full")):
        entered.clear()
        go_on.clear()
        future = writer.submit(lambda log, error=error: leaves(log, error), keep=False)
        assert entered.wait(10)
        assert future.cancel()
        go_on.set()
        assert writer.submit(lambda log: 7).result(10) == 7
    writer.close()


def test_a_mistake_in_the_writing_thread_is_told_and_survived(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    wrong = threading.Event()
    wrong.set()
    insert = Log.add_block

    def add_block(log: Log, *args: object) -> None:
        if wrong.is_set():
            raise ZeroDivisionError("not foreseen")
        insert(log, *args)  # type: ignore[arg-type]

    monkeypatch.setattr(Log, "add_block", add_block)
    writer = LogWriter(path, commit_every_s=0.02, retry_s=(0.02, 0.05))
    writer.put_block(block(10))
    until(lambda: "ZeroDivisionError: not foreseen" in writer.health()["text"])
    wrong.clear()
    until(lambda: count(path) == 10)
    writer.close()


def test_events_waiting_for_the_disk_are_bounded(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("benchd.store.writer.MAX_WAITING_TASKS", 3)
    switch = Switch()
    writer = LogWriter(path, retry_s=(30, 30), opener=switch)
    writer.submit(lambda log: None).result(10)
    switch.set(full=True)
    note = "x" * 50_000
    with pytest.raises(LogDown):
        writer.submit(lambda log: log.add_entry("note", payload={"text": note}), keep=False).result(10)
    waiting = [writer.submit(lambda log: log.add_entry("note", payload={"text": note})) for _ in range(5)]
    until(lambda: writer.health()["refused"] == 2)
    with pytest.raises(LogDown, match="3 events wait already"):
        waiting[-1].result(10)
    writer.close()
    with pytest.raises(LogDown, match="ended before"):
        waiting[0].result(10)


def test_a_read_only_file_is_failing_and_recovers(path: Path) -> None:
    """SQLite's own refusal, by its query_only switch: file rights do not hold for root."""
    read_only = threading.Event()
    read_only.set()

    def opener(path: Path) -> Log:
        log = Log.open(path)
        if read_only.is_set():
            log.rows("PRAGMA query_only = 1")
        return log

    writer = LogWriter(path, commit_every_s=0.02, retry_s=(0.02, 0.05), opener=opener)
    writer.put_block(block(10))
    trip = writer.submit(lambda log: log.add_trip(tripped()))
    until(lambda: writer.health()["state"] == "failing")
    assert "the file is read-only: check its owner and rights" in writer.health()["text"]
    read_only.clear()
    assert trip.result(10).kind == "trip"
    until(lambda: count(path) == 10)
    writer.close()


def test_a_file_that_cannot_be_opened_at_start_is_failing_and_recovers(path: Path) -> None:
    path.mkdir()
    writer = LogWriter(path, commit_every_s=0.02, retry_s=(0.02, 0.05))
    assert writer.health()["state"] == "failing"
    assert str(path) in writer.health()["text"]
    writer.put_block(block(10))
    trip = writer.submit(lambda log: log.add_trip(tripped()))
    path.rmdir()
    assert trip.result(10).kind == "trip"
    until(lambda: count(path) == 10)
    writer.close()


def test_a_file_that_can_never_be_used_is_refused_at_start(path: Path) -> None:
    Log.open(path).close()
    db = sqlite3.connect(path)
    db.execute("PRAGMA user_version = 99")
    db.close()
    with pytest.raises(LogError, match="newer benchd"):
        LogWriter(path)


def test_another_process_that_holds_the_file_is_waited_for(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("benchd.store.log.BUSY_TIMEOUT_S", 0.01)
    writer = LogWriter(path, commit_every_s=0.02, retry_s=(0.02, 0.05))
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    writer.put_block(block(10))
    until(lambda: writer.health()["state"] == "failing")
    other.execute("ROLLBACK")
    other.close()
    until(lambda: writer.health()["state"] == "ok" and count(path) == 10)
    writer.close()


# ---- in a process of its own ----------------------------------------------------------------------------------

RECORD = """
import sys, time, json
from benchd.store.writer import LogWriter
from tests.store.making import block, tripped
writer = LogWriter(sys.argv[1])
n = 0
while True:
    start = time.time_ns()
    writer.put_block(block(20, start, 1_000_000), "R-1", None)
    if n % 10 == 9:
        entry = writer.submit(lambda log: log.add_trip(tripped(start), "R-1")).result()
        print(json.dumps({"seq": entry.seq}), flush=True)
    print(json.dumps({"put": start + 19_000_000}), flush=True)
    n += 1
    time.sleep(0.02)
"""


@pytest.mark.parametrize("kill_after", [25, 60])
def test_kill_9_loses_at_most_the_last_quarter_second_of_readings(path: Path, kill_after: int) -> None:
    child = subprocess.Popen([sys.executable, "-c", RECORD, str(path)], stdout=subprocess.PIPE, text=True)
    assert child.stdout is not None
    said = []
    try:
        for line in child.stdout:
            said.append((time.monotonic(), json.loads(line)))
            if len(said) == kill_after:
                break
    finally:
        child.send_signal(signal.SIGKILL)
        killed = time.monotonic()
        said += [(killed, json.loads(line)) for line in child.stdout.read().splitlines() if line.endswith("}")]
        child.stdout.close()
        child.wait()
    with Log.open(path) as log:
        assert log.rows("PRAGMA integrity_check") == [("ok",)]
        samples = log.samples("psu-a", 1, 0, 2**62)
        entries = {e.seq for e in log.journal()}
        trips = log.rows("SELECT count(*) FROM trips")[0][0]
    acknowledged = {said["seq"] for _, said in said if "seq" in said}
    assert acknowledged <= entries
    assert trips == len(entries)
    # A block given half a second before the kill must be there: 250 ms to its commit, the rest for a busy machine.
    due = [s["put"] for at, s in said if "put" in s and at < killed - 0.5]
    assert len(due) == 0 or due[-1] <= int(samples.t_ns[-1])
    # Nothing in between is missing: whole blocks, one after the other.
    assert len(samples) % 20 == 0


FULL = """
import sys, time, resource
from benchd.store.writer import LogWriter
from tests.store.making import block, tripped
writer = LogWriter(sys.argv[1], commit_every_s=0.02, retry_s=(0.02, 0.05))
writer.submit(lambda log: log.add_trip(tripped(), "R-1")).result()
soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
resource.setrlimit(resource.RLIMIT_FSIZE, (60_000, hard))
for i in range(50):
    writer.put_block(block(1000, 10**18 + i * 10**9))
deadline = time.monotonic() + 15
while writer.health()["state"] == "ok" and time.monotonic() < deadline:
    time.sleep(0.01)
print(writer.health()["state"], flush=True)
trip = writer.submit(lambda log: log.add_trip(tripped(), "R-2"))
resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
trip.result(15)
writer.close()
print(writer.health()["waiting"], flush=True)
"""


def test_a_write_that_the_system_refuses_is_survived(path: Path) -> None:
    """A real refusal of write(2): the file may not grow beyond a limit that the system enforces (EFBIG)."""
    assert resource.getrlimit(resource.RLIMIT_FSIZE)[1] == resource.RLIM_INFINITY
    done = subprocess.run([sys.executable, "-c", FULL, str(path)], capture_output=True, text=True, timeout=60)
    assert done.stdout.split() == ["failing", "0"], done.stderr
    assert count(path) == 50_000
    with Log.open(path, read_only=True) as log:
        assert [e.job for e in log.journal()] == ["R-1", "R-2"]
