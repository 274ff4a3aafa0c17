"""Whoever is left makes it safe: each row of the table, by killing that process with the output on.

The supply's own truth decides, not what any of our processes says. The waiting times are twice those that are promised,
since these tests share two cores with whatever else runs; the measured ones are printed.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import psutil
import pytest

from benchd.store.log import Log
from tests.running import Bench, Running, start, until
from tests.simulated import SimulatedSupply


@pytest.fixture
def sim() -> Iterator[SimulatedSupply]:
    with SimulatedSupply() as supply:
        supply.board(1, "clean")
        yield supply


def bench(sim: SimulatedSupply, on_daemon_loss: str = "off") -> dict[str, Bench]:
    return {"s": Bench(sim.resource, 5.0, "benchd-sim", (1,), on_daemon_loss)}


@pytest.fixture
def daemon(sim: SimulatedSupply, tmp_path: Path) -> Iterator[Running]:
    run = start(bench(sim), tmp_path)
    guards = []
    try:
        run.until_guarded()
        run.on("s")
        guards.append(run.guard_pid())
        assert sim.truth(1).output
        yield run
    finally:
        run.process.kill()
        run.end()
        for pid in guards:
            if psutil.pid_exists(pid):
                psutil.Process(pid).kill()


def off_within(sim: SimulatedSupply, seconds: float) -> float:
    """Seconds until the supply itself says off."""
    began = time.monotonic()
    until(lambda: sim.truth(1).output, lambda on: not on, "the output going off", seconds)
    return time.monotonic() - began


def gone(pid: int) -> None:
    until(lambda: psutil.pid_exists(pid) and psutil.Process(pid).status() != "zombie", lambda x: not x, f"end of {pid}")


def test_daemon_killed(sim: SimulatedSupply, daemon: Running) -> None:
    guard = daemon.guard_pid()
    daemon.process.kill()
    print(f"daemon killed: off after {off_within(sim, 1.0):.3f} s (promised 0.5)")
    gone(guard)


def test_daemon_frozen(sim: SimulatedSupply, daemon: Running) -> None:
    guard = daemon.guard_pid()
    daemon.process.send_signal(signal.SIGSTOP)
    try:
        print(f"daemon frozen: off after {off_within(sim, 1.0):.3f} s (promised 0.5)")
        gone(guard)
    finally:
        daemon.process.send_signal(signal.SIGCONT)
    # Thawed, it finds its guard gone, makes sure, and goes on.
    daemon.until_guarded()
    daemon.on("s")
    assert sim.truth(1).output


def test_guard_killed(sim: SimulatedSupply, daemon: Running) -> None:
    old = daemon.guard_pid()
    os.kill(old, signal.SIGKILL)
    print(f"guard killed: off after {off_within(sim, 2.0):.3f} s (promised 1.0)")
    daemon.until_guarded()
    assert daemon.guard_pid() != old
    daemon.on("s")
    assert sim.truth(1).output


def test_guard_frozen(sim: SimulatedSupply, daemon: Running) -> None:
    os.kill(daemon.guard_pid(), signal.SIGSTOP)
    print(f"guard frozen: off after {off_within(sim, 2.5):.3f} s")
    daemon.until_guarded()


def test_both_killed_then_make_safe(sim: SimulatedSupply, daemon: Running) -> None:
    guard = daemon.guard_pid()
    os.kill(guard, signal.SIGKILL)
    daemon.process.kill()
    daemon.process.wait()
    gone(guard)
    assert sim.truth(1).output, "nobody is left, so it must still be on: else this test shows nothing"
    done = subprocess.run(
        [sys.executable, "-m", "benchd", "make-safe", "--config", str(daemon.config), "--json"],
        capture_output=True, text=True, timeout=20,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert '"output":"off"' in done.stdout
    assert not sim.truth(1).output


def test_make_safe_says_unknown_and_fails_when_the_supply_does_not_obey(sim: SimulatedSupply, daemon: Running) -> None:
    os.kill(daemon.guard_pid(), signal.SIGKILL)
    daemon.process.kill()
    daemon.process.wait()
    sim.fault("DEAF")
    done = subprocess.run(
        [sys.executable, "-m", "benchd", "make-safe", "--config", str(daemon.config), "--json"],
        capture_output=True, text=True, timeout=20,
    )  # fmt: skip
    assert done.returncode == 1
    assert '"output":"unknown"' in done.stdout
    assert "switch off at the supply itself" in done.stderr
    sim.fault("NONE")


def test_the_supply_itself_is_left_where_it_watches_its_link(sim: SimulatedSupply, tmp_path: Path) -> None:
    run = start({"s": Bench(sim.resource, 5.0, "benchd-sim", link_watchdog_s=1.0)}, tmp_path)
    pids = [run.process.pid]
    try:
        run.until_guarded()
        run.on("s")
        time.sleep(1.5)  # readings feed it
        assert sim.truth(1).output
        pids.append(run.guard_pid())
        for pid in pids:  # as when the whole computer hangs
            os.kill(pid, signal.SIGSTOP)
        print(f"daemon and guard frozen: off after {off_within(sim, 2.0):.3f} s (promised 1.0)")
    finally:
        for pid in pids:
            os.kill(pid, signal.SIGKILL)
        run.end()


def test_the_log_is_whole_after_both_were_killed(sim: SimulatedSupply, daemon: Running) -> None:
    time.sleep(1.0)
    killed_ns = time.time_ns()
    os.kill(daemon.guard_pid(), signal.SIGKILL)
    daemon.process.kill()
    daemon.process.wait()
    with Log.open(daemon.log_file, read_only=True) as log:
        assert log.rows("PRAGMA integrity_check") == [("ok",)]
        samples = log.samples("s", 1, killed_ns - 10**9, killed_ns + 10**9)
        assert any(e.kind == "output" and e.payload["output"] == "on" for e in log.journal(limit=100))
    # 250 ms between commits, 20 ms in the guard, and as much again for a busy machine.
    assert killed_ns - int(samples.t_ns[-1]) < 600e6


def test_hold_keeps_a_soak_test_on_and_guarded(sim: SimulatedSupply, tmp_path: Path) -> None:
    run = start(bench(sim, on_daemon_loss="hold"), tmp_path)
    guard = None
    try:
        run.until_guarded()
        run.on("s")
        guard = run.guard_pid()
        run.process.kill()
        run.process.wait()
        end = time.monotonic() + 1.5
        while time.monotonic() < end:
            assert sim.truth(1).output
            time.sleep(0.05)
        sim.board(1, "dead-short")
        print(f"held without a daemon, shorted: off after {off_within(sim, 2.0):.3f} s")
        gone(guard)
    finally:
        run.process.kill()
        run.end()
        if guard and psutil.pid_exists(guard):
            psutil.Process(guard).kill()


def test_a_latch_outlives_the_daemon(sim: SimulatedSupply, daemon: Running, tmp_path: Path) -> None:
    sim.board(1, "dead-short")
    daemon.until("s", latched=True, output="off")
    with Log.open(daemon.log_file, read_only=True) as log:  # committed at once, which is a disk's time after the page
        until(log.latched, bool, "the latch in the log")
    daemon.process.kill()
    daemon.end()
    again = start(bench(sim), tmp_path)
    try:
        seen = again.until("s", link_up=True, output="off")
        assert seen["latched"] is True
        assert seen["trip"]["rule"] == "short"
        with pytest.raises(OSError, match="409"):
            again.on("s")
        assert not sim.truth(1).output
        again.call("POST", "supplies/s/channels/1/rearm")
        sim.board(1, "clean")
        again.on("s")
        assert sim.truth(1).output
    finally:
        assert again.end() == 0
    # Re-armed by a person, it stays so.
    third = start(bench(sim), tmp_path)
    try:
        assert third.until("s", link_up=True, output="off")["latched"] is False
    finally:
        third.end()


def test_a_new_daemon_can_cut_what_the_guard_of_a_dead_one_holds(sim: SimulatedSupply, tmp_path: Path) -> None:
    run = start(bench(sim, on_daemon_loss="hold"), tmp_path)
    again, guard = None, None
    try:
        run.until_guarded()
        run.on("s")
        guard = run.guard_pid()
        run.process.kill()
        run.end()
        again = start(bench(sim, on_daemon_loss="hold"), tmp_path)
        seen = again.channel("s")
        assert (seen["output"], seen["link_up"]) == ("unknown", False)
        assert str(guard) in seen["link_text"]
        assert sim.truth(1).output
        with pytest.raises(OSError, match="409"):
            again.call("POST", "off")  # it is off, but not by whom we hold
        assert not sim.truth(1).output
        gone(guard)
        again.until("s", link_up=True, output="off")
    finally:
        for each in (run, again):
            if each is not None:
                each.process.kill()
                each.end()
        if guard and psutil.pid_exists(guard):
            psutil.Process(guard).kill()


def test_a_supply_that_hangs_delays_no_trip_and_no_cut_of_another(sim: SimulatedSupply, tmp_path: Path) -> None:
    with SimulatedSupply(board1="clean", serial="SIM00002") as hangs:
        run = start(bench(sim) | {"hangs": Bench(hangs.resource, 5.0, "benchd-sim", (1,))}, tmp_path)
        try:
            run.until_guarded()
            for name in ("s", "hangs"):
                run.on(name)
            hangs.fault("SILENT", 1000)
            sim.board(1, "dead-short")
            print(f"another supply hangs: the short is off after {off_within(sim, 1.0):.3f} s")
            run.until("s", output="off", latched=True)
            with pytest.raises(OSError, match="409"):
                run.call("POST", "off")  # one of them cannot say that it is off
            assert run.channel("s")["output"] == "off"
            assert run.channel("hangs")["output"] == "unknown"
            assert not hangs.truth(1).output
        finally:
            hangs.fault("NONE")
            run.end()


def test_supply_gone_mid_trace_is_unknown_not_off(sim: SimulatedSupply, daemon: Running) -> None:
    sim.fault("CLOSE")
    seen = daemon.until("s", link_up=False)
    assert seen["output"] == "unknown"
    assert sim.truth(1).output
    sim.fault("NONE")
    daemon.until("s", link_up=True, output="off")
    assert not sim.truth(1).output


def test_a_supply_that_ignores_off_is_never_called_off(sim: SimulatedSupply, daemon: Running) -> None:
    sim.fault("DEAF")
    with pytest.raises(OSError, match="409"):
        daemon.off("s")
    seen = daemon.until("s", output="unknown")
    assert seen["output"] != "off"
    warnings = daemon.call("GET", "bench")["warnings"]
    assert any("not" in w.lower() and "off" in w.lower() for w in warnings), warnings
    sim.fault("NONE")
    daemon.off("s")
    daemon.until("s", output="off")
    assert not sim.truth(1).output
