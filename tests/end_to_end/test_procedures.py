"""Runs of procedures through a whole daemon: over HTTP, with the guard and a simulated supply."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.running import Bench, Running, running, until
from tests.simulated import SimulatedSupply

SIDE = {"role": "main", "supply": "s", "channel": 1, "plan": "phone-cell"}
"""With the shipped plan, its supply's own protection among it."""
DIODE = {"start_v": 0.1, "stop_v": 0.7, "step_v": 0.1, "limit_a": 0.2, "rest_s": 0.05}


@pytest.fixture(scope="module")
def sim() -> Iterator[SimulatedSupply]:
    with SimulatedSupply() as supply:
        yield supply


@pytest.fixture(scope="module")
def daemon(sim: SimulatedSupply) -> Iterator[Running]:
    with running({"s": Bench(sim.resource, 5.0, "benchd-sim")}) as daemon:
        daemon.until_guarded()
        yield daemon


@pytest.fixture
def another() -> Iterator[SimulatedSupply]:
    """A supply that the daemon of this module does not hold."""
    with SimulatedSupply() as supply:
        yield supply


def begun(daemon: Running, card: str, parameters: dict[str, Any]) -> str:
    body = {"card": card, "sides": [SIDE], "parameters": parameters, "accept_cautions": True}
    return str(daemon.call("POST", "runs", body)["run"])


def carried_out(daemon: Running, run: str) -> dict[str, Any]:
    """Says yes to whatever is asked; the run when it has ended."""

    def look() -> dict[str, Any]:
        seen: dict[str, Any] = daemon.call("GET", f"runs/{run}")
        if (now := seen.get("now")) is not None and now.get("question"):
            daemon.call("POST", f"runs/{run}/answer", {"name": now["question"]["name"], "value": True})
        return seen

    return until(look, over, f"the end of run {run}", 60)["run"]  # type: ignore[no-any-return]


def over(seen: dict[str, Any]) -> bool:
    return seen.get("now") is None


def refused(daemon: Running, method: str, path: str, body: dict[str, Any]) -> str:
    with pytest.raises(OSError, match=f"{method} {path}: 4") as told:
        daemon.call(method, path, body)
    return str(told.value)


def test_a_leak_curve_is_measured_kept_and_compared_with_the_run_before(daemon: Running, sim: SimulatedSupply) -> None:
    daemon.call("POST", "jobs", {"id": "R-1", "board": "blue"})
    daemon.call("PUT", "bench/job", {"job": "R-1"})
    sim.board(1, "diode-leak")
    first = carried_out(daemon, begun(daemon, "leak-curve", DIODE))
    kind = next(row for row in first["results"] if row["name"] == "kind")
    assert (first["outcome"], kind["value"], first["job"]) == ("done", "diode-like", "R-1")
    assert len(first["curves"][0]["columns"][0]["values"]) == 7
    assert sim.truth(1).output is False
    sim.board(1, "leak-only")
    second = carried_out(daemon, begun(daemon, "leak-curve", DIODE))
    assert second["earlier"] == first["id"]
    assert "Kind of leak: ohmic, was diode-like." in second["compared"]
    entries = [e for e in daemon.call("GET", "journal?job=R-1")["entries"] if e["kind"] == "procedure"]
    assert [e["payload"]["run"] for e in entries] == [second["id"], first["id"]]
    assert daemon.call("GET", "traces?job=R-1")["traces"] == []  # a curve is no power-up


def test_a_short_is_found_beside_the_leads_that_were_measured_before(daemon: Running, sim: SimulatedSupply) -> None:
    """The simulated leads have 50 mΩ; the rail 120, 40 and 15 mΩ from three places."""
    sim.board(1, "leads")
    leads = carried_out(daemon, begun(daemon, "lead-resistance", {"celsius": 21.0}))
    assert leads["results"][0]["value"] == pytest.approx(0.0501, abs=0.001)
    known = next(each for each in daemon.call("GET", "leads")["now"] if each["supply"] == "s")
    assert (known["origin"], known["leads"]["run"], known["leads"]["supply"]) == ("measured", leads["id"], "s")
    sim.board(1, "dead-short")
    run = begun(daemon, "find-short", {"rail_v": 1.1, "limit_a": 1.0})
    until(lambda: daemon.call("GET", f"runs/{run}")["now"]["question"], bool, "a question")
    daemon.call("POST", f"runs/{run}/answer", {"name": "ready", "value": True})
    until(lambda: sim.truth(1).output, bool, "the output on")
    for name, ohm in (("coil", 0.120), ("C12", 0.040), ("C14", 0.015)):
        sim.bridge(1, ohm)
        until(
            lambda: daemon.call("GET", f"runs/{run}")["now"]["told"] or {"values": {}},
            lambda told, ohm=ohm: abs((told["values"].get("resistance_ohm") or 9) - ohm) < 0.002,
            f"{ohm} Ω",
        )
        daemon.call("POST", f"runs/{run}/point", {"text": name})
    daemon.call("POST", f"runs/{run}/done")
    found = until(lambda: daemon.call("GET", f"runs/{run}"), over, "the run's end")["run"]
    assert found["outcome"] == "done"
    assert "less than at C12: the short is nearest there." in found["text"]
    assert [row["title"] for row in found["results"][:3]] == ["C14", "C12", "coil"]
    assert sim.truth(1).output is False
    assert daemon.channel("s")["latched"] is False


def test_sense_leads_are_checked_and_then_hold_the_voltage_at_the_board(
    another: SimulatedSupply, tmp_path: Path
) -> None:
    sim = another
    with running({"s": Bench(sim.resource, 5.0, "benchd-sim", sense="remote")}, folder=tmp_path) as daemon:
        sim.board(1, "leads")
        sim.clip_sense(1, 1)
        half = carried_out(daemon, begun(daemon, "sense-check", {}))
        assert half["outcome"] == "failed"
        assert "one of the two sense leads is open" in half["text"]
        assert daemon.call("GET", "leads")["now"][0]["leads"] is None, "that holds only until it is mended"
        sim.clip_sense(1, 2)
        whole = carried_out(daemon, begun(daemon, "sense-check", {}))
        assert (whole["outcome"], sim.truth(1).output) == ("passed", False)
        known = daemon.call("GET", "leads")["now"][0]
        assert (known["leads"]["sense"], known["leads"]["run"]) == ("remote", whole["id"])
        assert abs(known["leads"]["ohm"] - 0.0003) < 2 * known["leads"]["u_ohm"]
        sim.board(1, "self-start")
        daemon.on("s")
        until(lambda: sim.truth(1).current_a, lambda amps: amps > 0.2, "the board at work")
        assert sim.query("VOLT:SENS?") == "EXT"
        seen = sim.truth(1)
        assert seen.voltage_v - seen.board_v < 0.001, "the leads take nothing of what it holds: else 10 mV and more"


def test_an_output_in_use_is_nobody_elses_and_off_ends_the_run(daemon: Running, sim: SimulatedSupply) -> None:
    sim.board(1, "leak-only")
    run = begun(daemon, "leak-curve", {**DIODE, "rest_s": 5.0})
    until(lambda: daemon.call("GET", f"runs/{run}")["now"]["question"], bool, "a question")
    daemon.call("POST", f"runs/{run}/answer", {"name": "ready", "value": True})
    until(lambda: sim.truth(1).output, bool, "the output on")
    assert "uses it" in refused(daemon, "POST", "supplies/s/channels/1/on", {})
    assert run in refused(daemon, "POST", "runs", {"card": "leak-curve", "sides": [SIDE], "accept_cautions": True})
    daemon.off("s")
    ended = until(lambda: daemon.call("GET", f"runs/{run}"), over, "the run's end")["run"]
    assert ended["outcome"] == "stopped"
    assert sim.truth(1).output is False


def test_what_leaves_the_plan_and_cautions_that_nobody_read_are_refused(daemon: Running, sim: SimulatedSupply) -> None:
    beyond = {"card": "leak-curve", "sides": [SIDE], "parameters": {"stop_v": 6.0}, "accept_cautions": True}
    told = refused(daemon, "POST", "runs", beyond)
    assert "most_voltage_v: 6 V would be set; allowed is above 0 V up to" in told
    told = refused(daemon, "POST", "runs", {"card": "leak-curve", "sides": [SIDE]})
    assert '"code":"cautions"' in told
    assert "Disconnect the battery before feeding its terminals." in told
    assert sim.truth(1).output is False


def test_a_daemon_that_is_killed_in_a_run_leaves_it_off_and_the_next_one_says_so(
    another: SimulatedSupply, tmp_path: Path
) -> None:
    sim = another
    bench = {"s": Bench(sim.resource, 5.0, "benchd-sim")}
    sim.board(1, "leak-only")
    with running(bench, folder=tmp_path) as first:
        run = begun(first, "leak-curve", {**DIODE, "rest_s": 5.0})
        until(lambda: first.call("GET", f"runs/{run}")["now"]["question"], bool, "a question")
        first.call("POST", f"runs/{run}/answer", {"name": "ready", "value": True})
        until(lambda: sim.truth(1).output, bool, "the output on")
        first.process.kill()
        until(lambda: sim.truth(1).output, lambda on: on is False, "the guard to switch off")
    with running(bench, folder=tmp_path) as second:
        left = until(lambda: second.call("GET", f"runs/{run}"), lambda seen: seen["run"]["outcome"] != "running", "it")
        assert (left["run"]["outcome"], left["now"], left["may_resume"]) == ("interrupted", None, False)
        assert "benchd ended in the middle of it" in left["run"]["text"]
        assert left["run"]["began_ns"] <= left["run"]["ended_ns"] < time.time_ns()
        assert sim.truth(1).output is False
