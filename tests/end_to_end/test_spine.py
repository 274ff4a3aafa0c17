"""The main job on real parts: `benchd run` as a process, the simulated supply on a socket, an MQTT broker, a
time-series server."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from benchd.store.log import Log, TraceRow
from tests.running import Bench, Running, running, until
from tests.simulated import SimulatedSupply

CHANNELS = (1, 2)


@pytest.fixture
def sim() -> Iterator[SimulatedSupply]:
    with SimulatedSupply() as supply:
        yield supply


@pytest.fixture
def daemon(sim: SimulatedSupply, tmp_path: Path) -> Iterator[Running]:
    with running({"s": bench_of(sim)}, folder=tmp_path) as run:
        yield run


def bench_of(sim: SimulatedSupply, **other: object) -> Bench:
    return Bench(sim.resource, interval_ms=5.0, profile="benchd-sim", channels=CHANNELS, **other)  # type: ignore[arg-type]


def filed(daemon: Running, job: str, count: int = 1) -> list[dict]:  # type: ignore[type-arg]
    return until(
        lambda: daemon.call("GET", f"traces?job={job}")["traces"],
        lambda rows: len(rows) >= count,
        f"{count} filed traces of {job}",
    )


def take_in(daemon: Running, job: str) -> None:
    daemon.call("POST", "jobs", {"id": job, "device": "test device", "board": "test-board"})
    daemon.call("PUT", "bench/job", {"job": job})


def test_a_dead_short_trips_is_off_for_real_and_is_filed_under_its_job(sim: SimulatedSupply, daemon: Running) -> None:
    take_in(daemon, "R-1")
    sim.board(2, "dead-short")
    daemon.on("s", 2)
    seen = daemon.until("s", 2, output="off", latched=True)
    assert not sim.truth(2).output
    assert seen["trip"]["rule"] == "short"
    assert seen["trip"]["off_confirmed"]
    # 2 A at most into the short for what the rule waits and the link takes: far below a joule.
    assert 0 < seen["trip"]["let_through_j"] < 0.5
    (row,) = filed(daemon, "R-1")
    assert row["finding"]["signature"] == "dead-short"
    kinds = [e["kind"] for e in daemon.call("GET", "journal?job=R-1")["entries"]]
    assert "trip" in kinds
    assert "trace" in kinds


def test_a_latched_output_stays_off_until_a_person_rearms(sim: SimulatedSupply, daemon: Running) -> None:
    sim.board(1, "dead-short")
    daemon.on("s")
    daemon.until("s", output="off", latched=True)
    sim.board(1, "open")
    with pytest.raises(OSError, match="409"):
        daemon.on("s")
    assert not sim.truth(1).output
    daemon.until("s", rearm_wait_s=0.0)
    daemon.call("POST", "supplies/s/channels/1/rearm", {})
    daemon.until("s", latched=False)
    daemon.on("s")
    assert sim.truth(1).output


def test_a_stall_is_caught_hands_free_and_read(sim: SimulatedSupply, daemon: Running) -> None:
    """Bare leads first; the board is clipped on and its button pressed, nothing else is done."""
    take_in(daemon, "R-2")
    sim.board(1, "NONE")
    daemon.on("s")
    daemon.until("s", capture="waiting")
    sim.board(1, "low-stall")
    time.sleep(1.0)
    sim.button(1)
    daemon.until("s", capture="booting")
    time.sleep(4.0)
    daemon.off("s")
    (row,) = filed(daemon, "R-2")
    assert row["finding"]["signature"] == "low-stall"
    assert row["reason"] == "off"
    samples = daemon.call("GET", f"traces/{row['id']}/samples?points=500")
    assert 0.04 < samples["i"][-5] < 0.08


def test_the_log_holds_what_the_page_showed(sim: SimulatedSupply, daemon: Running) -> None:
    take_in(daemon, "R-3")
    sim.board(1, "leak")
    daemon.on("s")
    time.sleep(1.5)
    daemon.off("s")
    (row,) = filed(daemon, "R-3")
    with Log.open(daemon.log_file, read_only=True) as log:
        stored = log.trace(row["id"])
        assert isinstance(stored, TraceRow)
        # The last readings are committed up to 250 ms after they were taken; the trace's row at once.
        samples = until(
            lambda: log.samples(stored.supply, stored.channel, stored.start_ns, stored.end_ns + 1),
            lambda s: len(s) >= stored.readings,
            f"{stored.readings} readings in the log",
            2.0,
        )
    # 5 ms between readings for at least 1.5 s, less what a busy machine misses.
    assert len(samples) > 200
    assert len(samples) == stored.readings
    assert 0.02 < float(samples.current_a[-20:].mean()) < 0.08


def test_instrument_errors_reach_the_operator_with_their_text(sim: SimulatedSupply, daemon: Running) -> None:
    """-222 is 'Data out of range' (SCPI-1999 vol. 2 section 21.8); here the supply's own queue holds one."""
    sim.command("VOLT 99")
    daemon.on("s")
    until(
        lambda: daemon.call("GET", "bench")["warnings"],
        lambda warnings: any("-222" in w and "Data out of range" in w for w in warnings),
        "the warning with the error's text",
    )


def test_a_second_daemon_is_refused_and_told_who_holds_the_supply(
    sim: SimulatedSupply, daemon: Running, tmp_path: Path
) -> None:
    other = tmp_path / "other"
    other.mkdir()
    from tests.running import start

    second = start({"s": bench_of(sim)}, other)
    try:
        seen = second.until("s", link_up=False, output="unknown")
        told = until(lambda: second.channel("s")["link_text"], lambda t: "process" in t, "who holds it")
        assert str(daemon.guard_pid()) in told
        with pytest.raises(OSError, match="409"):
            second.on("s")
        assert seen["output"] == "unknown"
    finally:
        second.end()


def test_a_second_daemon_on_the_same_log_does_not_start(daemon: Running, sim: SimulatedSupply) -> None:
    from tests.running import start

    with pytest.raises(RuntimeError, match=r"another daemon writes this log \(pid \d+\)"):
        start({"s": bench_of(sim)}, daemon.folder)


def test_a_taken_port_is_named(daemon: Running, sim: SimulatedSupply, tmp_path: Path) -> None:
    from tests.running import settings_text

    port = int(daemon.url.rsplit(":", 1)[1].strip("/"))
    other = tmp_path / "third"
    other.mkdir()
    text = settings_text({"s": bench_of(sim)}, other / "data").replace("port = 0", f"port = {port}")
    (other / "benchd.toml").write_text(text)
    import subprocess
    import sys

    done = subprocess.run(
        [sys.executable, "-m", "benchd", "run", "--config", str(other / "benchd.toml")],
        capture_output=True, text=True, timeout=30,
    )  # fmt: skip
    assert done.returncode == 1
    assert str(port) in done.stderr
    assert "Traceback" not in done.stderr


def test_sigterm_switches_off_and_says_so(sim: SimulatedSupply, tmp_path: Path) -> None:
    with running({"s": bench_of(sim)}, folder=tmp_path) as run:
        sim.board(1, "clean")
        run.on("s")
        assert sim.truth(1).output
        assert run.end() == 0
    assert not sim.truth(1).output
    with Log.open(run.log_file, read_only=True) as log:
        outputs = [e.payload["output"] for e in log.journal(limit=100, kinds=["output"]) if e.channel == 1]
    assert outputs[-2:] == ["on", "off"]
