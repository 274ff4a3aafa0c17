"""The log's file cannot be written, from the start or in the middle of a run: protection goes on, people are told."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import resource
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from benchd.store.checking import check
from benchd.store.log import Log
from tests.crash.failing_disk import COMPILER, FailingDisk
from tests.running import Bench, Running, running, start, until
from tests.simulated import SimulatedSupply


@pytest.fixture
def sim() -> Iterator[SimulatedSupply]:
    with SimulatedSupply() as sim:
        yield sim


def bench_of(sim: SimulatedSupply) -> dict[str, Bench]:
    return {"psu": Bench(sim.resource, interval_ms=5.0, profile="benchd-sim", channels=(1, 2), timeout_ms=800.0)}


def told(daemon: Running) -> dict[str, Any]:
    """Wait until the page says that nothing is recorded."""
    return until(
        lambda: daemon.call("GET", "bench"),
        lambda b: b["log"]["state"] == "failing" and any("log is not being written" in w for w in b["warnings"]),
        "a warning about the log",
    )


def written(daemon: Running) -> None:
    until(lambda: daemon.call("GET", "bench"), lambda b: b["log"]["state"] == "ok", "the log to be written again")


def short_on(daemon: Running, sim: SimulatedSupply, number: int) -> dict[str, Any]:
    """Power a dead short; returns the channel once it has tripped."""
    sim.board(number, "dead-short")
    daemon.on("psu", number)
    return daemon.until("psu", number, output="off", latched=True)


def test_a_disk_that_fills_up_in_the_middle_of_a_run(sim: SimulatedSupply, tmp_path: Path) -> None:
    """The limit on the size of files (setrlimit(2), EFBIG) stands for the disk's end; it holds for the daemon alone."""
    with running(bench_of(sim), folder=tmp_path) as daemon:
        sim.board(1, "leak")
        daemon.on("psu", 1)
        until(lambda: trace_of(daemon), bool, "a trace to open")
        pid = daemon.process.pid
        _, hard = resource.prlimit(pid, resource.RLIMIT_FSIZE)
        resource.prlimit(pid, resource.RLIMIT_FSIZE, (4096, hard))
        try:
            told(daemon)
            assert short_on(daemon, sim, 2)["trip"]["off_confirmed"] is True
            assert not sim.truth(2).output
            assert daemon.channel("psu", 1)["output"] == "on"  # a good board is not switched off for it
            daemon.off("psu", 1)
            assert not sim.truth(1).output
        finally:
            resource.prlimit(pid, resource.RLIMIT_FSIZE, (hard, hard))
        written(daemon)
        rows = until(lambda: daemon.call("GET", "traces")["traces"], lambda t: len(t) == 2, "both traces to be filed")
        assert {row["reason"] for row in rows} == {"off", "tripped"}
        with Log.open(daemon.log_file, read_only=True) as log:
            for row in rows:  # the readings of meanwhile were kept
                found = log.whole_trace(row["id"])
                assert found is not None
                assert len(found.samples) == row["readings"]
            assert len(log.journal(kinds=["trip"])) == 1
        assert daemon.end() == 0
    assert "Traceback" not in daemon.errors()


@pytest.mark.skipif(COMPILER is None, reason="no C compiler to make the failing disk with")
def test_a_disk_that_reports_errors_and_one_that_has_become_read_only(sim: SimulatedSupply, tmp_path: Path) -> None:
    """As bad sectors do (EIO), and as file systems do that are mounted with errors=remount-ro (EROFS)."""
    disk = FailingDisk(tmp_path, "benchd.sqlite")
    daemon = start(bench_of(sim), tmp_path, "[guard]\nrearm_pause_s = 0.5\n", environment=disk.environment)
    try:
        daemon.until_guarded()
        sim.board(1, "leak")
        daemon.on("psu", 1)
        until(lambda: trace_of(daemon), bool, "a trace to open")
        for number, said in ((errno.EIO, "the disk reports an error"), (errno.EROFS, "read-only")):
            disk.fail(number)
            until(lambda: told(daemon)["log"]["text"], lambda text: said in text, said)  # noqa: B023
            tripped = short_on(daemon, sim, 2)
            assert tripped["trip"]["off_confirmed"] is True
            assert not sim.truth(2).output
            daemon.until("psu", 1, output="on")  # a good board is not switched off for it
            until(lambda: daemon.channel("psu", 1)["reading_age_s"], lambda age: age < 0.5, "readings on the page")
            with pytest.raises(OSError, match="503"):  # whoever waits for an answer is told
                daemon.call("POST", "jobs", {"id": "R-1"})
            disk.heal()
            written(daemon)
            daemon.rearm("psu", 2)
        daemon.off("psu", 1)
        rows = until(lambda: daemon.call("GET", "traces")["traces"], lambda t: len(t) == 3, "three traces to be filed")
        assert daemon.end() == 0
    finally:
        daemon.end()
    assert "Traceback" not in daemon.errors()
    whole_after(daemon, rows, trips=2)


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of its own, 3 MB; needs the right to mount one."""
    place = tmp_path / "disk"
    place.mkdir()
    if os.geteuid() != 0 or subprocess.run(["mount", "-t", "tmpfs", "-o", "size=3m", "none", place]).returncode:
        pytest.skip("not allowed to mount a file system")
    yield place
    subprocess.run(["umount", place], check=True)


def test_a_file_system_without_a_free_byte(sim: SimulatedSupply, small_disk: Path) -> None:
    with running(bench_of(sim), folder=small_disk) as daemon:
        sim.board(1, "leak")
        daemon.on("psu", 1)
        until(lambda: trace_of(daemon), bool, "a trace to open")
        filler = small_disk / "filler"
        with contextlib.suppress(OSError), filler.open("wb", buffering=0) as file:
            while True:
                file.write(bytes(4096))
        assert "the disk is full" in told(daemon)["log"]["text"]
        assert short_on(daemon, sim, 2)["trip"]["off_confirmed"] is True
        assert daemon.channel("psu", 1)["output"] == "on"
        filler.unlink()
        written(daemon)
        daemon.off("psu", 1)
        rows = until(lambda: daemon.call("GET", "traces")["traces"], lambda t: len(t) == 2, "both traces to be filed")
        assert daemon.end() == 0
        assert "Traceback" not in daemon.errors()
        whole_after(daemon, rows, trips=1)


def whole_after(daemon: Running, rows: list[dict[str, Any]], trips: int) -> None:
    """Nothing is missing: the readings of meanwhile were kept, and every event."""
    with Log.open(daemon.log_file, read_only=True) as log:
        for row in rows:
            found = log.whole_trace(row["id"])
            assert found is not None
            assert len(found.samples) == row["readings"]
        assert len(log.journal(kinds=["trip"])) == len(log.trips()) == trips
        assert len(log.journal(kinds=["trace"])) == len(rows)
    assert check(daemon.log_file).sound


def trace_of(daemon: Running) -> str | None:
    trace: str | None = daemon.channel("psu", 1)["trace"]
    return trace


def test_a_file_that_cannot_be_opened_at_the_start(sim: SimulatedSupply, tmp_path: Path) -> None:
    blocked = tmp_path / "data" / "benchd.sqlite"
    blocked.mkdir(parents=True)
    daemon = start(bench_of(sim), tmp_path)
    try:
        daemon.until_guarded()
        told(daemon)
        assert short_on(daemon, sim, 1)["trip"]["off_confirmed"] is True
        blocked.rmdir()
        written(daemon)
        until(lambda: daemon.call("GET", "traces")["traces"], lambda t: len(t) == 1, "the trace to be filed")
        assert daemon.call("POST", "jobs", {"id": "R-1"})["id"] == "R-1"
        assert daemon.end() == 0
    finally:
        daemon.end()
    assert "Traceback" not in daemon.errors()


def test_it_ends_while_the_file_cannot_be_written_and_says_what_is_lost(sim: SimulatedSupply, tmp_path: Path) -> None:
    with running(bench_of(sim), folder=tmp_path) as daemon:
        short_on(daemon, sim, 1)
        until(lambda: daemon.channel("psu", 1)["trip"], lambda trip: "number" in trip, "the trip in the log")
        pid = daemon.process.pid
        _, hard = resource.prlimit(pid, resource.RLIMIT_FSIZE)
        resource.prlimit(pid, resource.RLIMIT_FSIZE, (4096, hard))
        told(daemon)
        sim.board(2, "leak")
        daemon.on("psu", 2)
        until(lambda: daemon.channel("psu", 2)["trace"], bool, "a trace to open")
        assert daemon.end() == 0  # within 20 s, every output confirmed off
        assert not sim.truth(2).output
    assert "the log was closed without" in daemon.errors()
    with Log.open(daemon.log_file, read_only=True) as log:  # and what was committed before is there
        assert len(log.journal(kinds=["trip"])) == 1


def test_commands_reach_the_daemon_or_the_log_whichever_is_there(sim: SimulatedSupply, tmp_path: Path) -> None:
    def benchd(*words: str) -> dict[str, Any]:
        config = ("--config", str(tmp_path / "benchd.toml"), "--json")
        done = subprocess.run(
            [sys.executable, "-m", "benchd", *words, *config], capture_output=True, text=True, timeout=60
        )
        assert (done.returncode, done.stderr) == (0, ""), done
        found: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
        return found

    with running(bench_of(sim), folder=tmp_path) as daemon:
        benchd("job", "new", "R-1", "--use")
        assert daemon.call("GET", "bench")["job"] == "R-1"  # it went through the daemon
        assert benchd("job", "note", "seen")["job"] == "R-1"
        assert benchd("job", "list")["on_bench"] is True
        csv = tmp_path / "x.csv"
        csv.write_text("time_s,voltage_v,current_a\n" + "".join(f"{n / 50},4.0,0.061\n" for n in range(500)))
        imported = benchd("trace", "import", str(csv))
        assert imported["job"] == "R-1"
        assert daemon.call("GET", f"traces/{imported['trace']}")["readings"] == 500
        os.kill(daemon.process.pid, 9)
        daemon.process.wait(10)
        assert benchd("job", "use", "R-1") == {"job": "R-1"}
        assert benchd("job", "note", "afterwards")["job"] == "R-1"
        assert benchd("trace", "show", imported["trace"])["job"] == "R-1"
