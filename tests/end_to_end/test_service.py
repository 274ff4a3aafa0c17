"""The daemon under a service manager, which is a socket of the test's own, and what the unit runs when all is gone."""

from __future__ import annotations

import contextlib
import os
import shlex
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import psutil
import pytest

from tests.running import Bench, Running, start, until
from tests.simulated import SimulatedSupply

INTERVAL_S = 2.0


class Manager:
    """What systemd hears, with the time of each line."""

    def __init__(self, path: Path) -> None:
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind(str(path))
        self.socket.setblocking(False)
        self.lines: list[str] = []

    def heard(self) -> list[str]:
        with contextlib.suppress(BlockingIOError):
            while True:
                self.lines += self.socket.recv(4096).decode().split("\n")
        return self.lines

    def until(self, line: str) -> None:
        until(self.heard, lambda lines: any(found.startswith(line) for found in lines), line)

    def alive_again(self, within_s: float) -> bool:
        """Whether a sign of life comes within so long from now."""
        self.heard().clear()
        with contextlib.suppress(TimeoutError):
            until(self.heard, lambda lines: "WATCHDOG=1" in lines, "life", within_s)
        return "WATCHDOG=1" in self.lines


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[Manager]:
    found = Manager(tmp_path / "notify")
    with found.socket:
        yield found


@pytest.fixture
def sim() -> Iterator[SimulatedSupply]:
    with SimulatedSupply(board1="clean") as supply:
        yield supply


@pytest.fixture
def daemon(
    sim: SimulatedSupply, manager: Manager, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[Running]:
    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
    monkeypatch.setenv("WATCHDOG_USEC", str(round(INTERVAL_S * 1e6)))
    run = start({"s": Bench(sim.resource, 5.0, "benchd-sim")}, tmp_path)
    guard = None
    try:
        manager.until("READY=1")
        run.until_guarded()
        guard = run.guard_pid()
        yield run
    finally:
        run.process.kill()
        run.end()
        if guard and psutil.pid_exists(guard):
            psutil.Process(guard).kill()


def test_ready_alive_how_things_stand_and_stopping(manager: Manager, daemon: Running) -> None:
    lines = manager.heard()
    assert lines.index("READY=1") == 0
    manager.until("WATCHDOG=1")
    manager.until("STATUS=0 of 1 outputs on; no job; http://127.0.0.1:")
    daemon.on("s")
    manager.until("STATUS=1 of 1 outputs on")
    assert manager.alive_again(INTERVAL_S)
    assert "STOPPING=1" not in manager.heard()
    assert daemon.end() == 0
    assert "STOPPING=1" in manager.heard()


def test_a_daemon_that_hangs_gives_no_sign_of_life(sim: SimulatedSupply, manager: Manager, daemon: Running) -> None:
    daemon.on("s")
    assert manager.alive_again(INTERVAL_S)
    daemon.process.send_signal(signal.SIGSTOP)
    try:
        assert not manager.alive_again(INTERVAL_S)
        # The guard had switched off long before the manager would have acted.
        assert not sim.truth(1).output
    finally:
        daemon.process.send_signal(signal.SIGCONT)
    daemon.until_guarded()
    assert manager.alive_again(2 * INTERVAL_S)


def test_with_a_new_guard_there_are_signs_of_life_again(manager: Manager, daemon: Running) -> None:
    assert manager.alive_again(INTERVAL_S)
    guard = daemon.guard_pid()
    os.kill(guard, signal.SIGKILL)

    def another() -> int | None:
        try:
            return daemon.guard_pid()
        except LookupError:
            return None

    until(another, lambda pid: pid not in (None, guard), "another guard")
    daemon.until_guarded()
    assert manager.alive_again(2 * INTERVAL_S)


def test_the_end_that_reaches_both_at_once_is_a_clean_one(sim: SimulatedSupply, daemon: Running) -> None:
    """KillMode=control-group: SIGTERM goes to daemon and guard together (systemd.kill(5))."""
    daemon.on("s")
    guard = daemon.guard_pid()
    os.kill(guard, signal.SIGTERM)
    daemon.process.terminate()
    assert daemon.process.wait(20) == 0, daemon.errors()
    assert not sim.truth(1).output
    until(lambda: psutil.pid_exists(guard), lambda there: not there, "the guard's end")


def test_what_the_unit_runs_at_the_end_makes_safe_when_both_were_killed(sim: SimulatedSupply, daemon: Running) -> None:
    daemon.on("s")
    guard = daemon.guard_pid()
    unit = subprocess.run(
        [sys.executable, "-m", "benchd", "service", "--config", str(daemon.config)],
        capture_output=True, text=True, timeout=60, check=True,
    ).stdout  # fmt: skip
    said = dict(line.split("=", 1) for line in unit.splitlines() if "=" in line and not line.startswith("#"))
    for pid in (guard, daemon.process.pid):
        os.kill(pid, signal.SIGKILL)
    daemon.process.wait()
    assert sim.truth(1).output, "nobody is left, so it must still be on: else this test shows nothing"
    began = time.monotonic()
    done = subprocess.run(shlex.split(said["ExecStopPost"]), capture_output=True, text=True, timeout=60)
    took_s = time.monotonic() - began
    assert done.returncode == 0, done.stderr
    assert not sim.truth(1).output
    assert took_s < int(said["TimeoutStopSec"])
