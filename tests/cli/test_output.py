"""`benchd output` against a whole daemon; the supply's own truth says what it did."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from benchd.cli.main import app
from tests.cli.asking import lines
from tests.running import Bench, Running, running, until
from tests.simulated import SimulatedSupply

STAGES = "[plan.hold]\nlimit_a = 0.5\nseconds = 0.2\nby_hand = true\n"


@pytest.fixture(scope="module")
def sim() -> Iterator[SimulatedSupply]:
    with SimulatedSupply(board1="clean", board2="clean") as supply:
        yield supply


@pytest.fixture(scope="module")
def daemon(sim: SimulatedSupply) -> Iterator[Running]:
    with running(
        {"s": Bench(sim.resource, 5.0, "benchd-sim", (1, 2))}, "[guard]\nrearm_pause_s = 0.5\n", STAGES
    ) as run:
        yield run


Output = Callable[..., str]


@pytest.fixture
def output(daemon: Running) -> Output:
    daemon.until_guarded()

    def asked(*words: str | Path, status: int = 0) -> str:
        done = CliRunner().invoke(app, ["output", *map(str, words), "--config", str(daemon.config)])
        assert done.exit_code == status, (done.stdout, done.stderr, done.exception)
        return done.stdout + done.stderr

    return asked


def view(text: str) -> dict[str, Any]:
    (found,) = lines(text)
    return found


def test_on_next_and_off(output: Output, sim: SimulatedSupply, daemon: Running) -> None:
    assert [v["output"] for v in lines(output("list", "--json"))] == ["off", "off"]
    on = view(output("on", "s", "1", "--voltage-v", "3.6", "--json"))
    assert (on["output"], on["set_voltage_v"]) == ("on", 3.6)
    assert sim.truth(1).output
    assert not sim.truth(2).output
    again = output("on", "s", "1", status=1)
    assert "on already" in again
    assert len(again.strip().splitlines()) == 1
    daemon.until("s", 1, stage="hold")
    assert "stage hold" in output("list")
    daemon.until("s", 1, stage_by_hand=True)
    output("next", "s", "1")
    assert daemon.until("s", 1, stage="boot")["limit_a"] == 2.0
    off = view(output("off", "s", "1", "--json"))
    assert off["output"] == "off"
    assert not sim.truth(1).output
    assert output("off", "s", "1").startswith("s channel 1: off, last power-on: ")  # again is fine
    with daemon_log(daemon) as log:
        by = [e.payload.get("by") for e in log.journal(kinds=["output", "advance"]) if e.payload.get("by")]
    assert set(by) == {"command-line"}


def daemon_log(daemon: Running) -> Any:
    from benchd.store.log import Log

    return Log.open(daemon.log_file, read_only=True)


def test_more_than_the_plan_is_refused(output: Output, sim: SimulatedSupply) -> None:
    assert "4.5 V" in output("on", "s", "1", "--voltage-v", "4.5", status=1)
    assert "2.5 A" in output("on", "s", "1", "--limit-a", "2.5", status=1)
    assert "no-such" in output("on", "s", "1", "--plan", "no-such", status=1)
    assert not sim.truth(1).output


def test_which_output_is_meant_must_be_clear(output: Output) -> None:
    assert "has channels 1, 2: say which" in output("on", "s", status=2)
    assert "there are: s" in output("on", "none", status=1)
    assert "not on this bench" in output("off", "s", "3", status=1)


def test_all_off(output: Output, sim: SimulatedSupply) -> None:
    for number in ("1", "2"):
        output("on", "s", number)
    assert [v["output"] for v in lines(output("off", "--all", "--json"))] == ["off", "off"]
    assert not sim.truth(1).output
    assert not sim.truth(2).output


def test_a_trip_is_shown_and_rearmed(output: Output, sim: SimulatedSupply, daemon: Running) -> None:
    sim.board(2, "dead-short")
    output("on", "s", "2")
    daemon.until("s", 2, latched=True, output="off")
    assert "tripped (short)" in output("list")
    assert "re-arm" in output("on", "s", "2", status=1)
    daemon.until("s", 2, rearm_wait_s=0.0)
    assert view(output("rearm", "s", "2", "--json"))["latched"] is False
    assert not sim.truth(2).output


def test_off_that_cannot_be_confirmed_is_no_success(output: Output, sim: SimulatedSupply, daemon: Running) -> None:
    sim.board(1, "clean")
    output("on", "s", "1")
    sim.fault("DEAF")
    try:
        assert "off" in output("off", "s", "1", status=1)
        assert sim.truth(1).output
        assert "channel 1: off" not in output("list")
    finally:
        sim.fault("NONE")
    daemon.until("s", 1, output="off")


def test_checks_that_are_open_are_told_before_power(output: Output, daemon: Running) -> None:
    def benchd(*words: str) -> str:
        done = CliRunner().invoke(app, [*words, "--config", str(daemon.config)])
        assert done.exit_code == 0, done.output
        return done.stdout

    benchd("job", "new", "R-7", "--use")
    until(lambda: daemon.call("GET", "bench")["checks_open"], lambda opened: len(opened) == 10, "all checks open")
    told, fault = output("on", "s", "1", "--plan", "no-such", status=1).splitlines()
    assert told.startswith("benchd: 10 checks before power open (Board looked over, both sides")
    assert "no-such" in fault, "what is wrong is another matter"
    assert "esd: Wrist strap on" in benchd("checks", "tick", "before-power", "esd")
    until(lambda: daemon.call("GET", "bench")["checks_open"], lambda opened: len(opened) == 9, "one check fewer open")
    (step,) = lines(benchd("job", "step", "cleaned", "--detail", "by hand", "--json"))
    assert (step["job"], step["payload"]["detail"]) == ("R-7", "by hand")
    assert "taken back: Cleaned" in benchd("job", "step-back", str(step["seq"]))
    benchd("job", "use")
    until(lambda: daemon.call("GET", "bench")["checks_open"], lambda opened: opened == [], "no job, no checks")
