"""A staged power-up, whole daemon and simulated supply: a good board gets through, a dead short gets nothing."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from tests.running import Bench, Running, running, until
from tests.simulated import SimulatedSupply

PLAN = """
expected_leak_a = 0.005
probe = { voltage_v = 0.5, limit_a = 0.1, ms = 200.0, least_ohm = 2.0 }
hold = { limit_a = 0.2, seconds = 0.5, by_hand = true }
budget = { fault_j = 1.0 }
"""


@pytest.fixture(scope="module")
def supply() -> Iterator[SimulatedSupply]:
    with SimulatedSupply(board1="clean", board2="dead-short") as supply:
        yield supply


@pytest.fixture(scope="module")
def daemon(supply: SimulatedSupply) -> Iterator[Running]:
    bench = Bench(supply.resource, interval_ms=5.0, profile="benchd-sim", channels=(1, 2))
    with running({"psu-a": bench}, extra="[guard]\nrearm_pause_s = 0.5\n", plan=PLAN) as daemon:
        yield daemon


def entries(daemon: Running, kind: str) -> list[dict[str, Any]]:
    return [e for e in daemon.call("GET", "journal")["entries"] if e["kind"] == kind]


def test_a_good_board_goes_from_probe_to_hold_and_by_hand_to_the_boot(supply: SimulatedSupply, daemon: Running) -> None:
    daemon.call("POST", "supplies/psu-a/channels/1/on", {"by": "page"})
    held = daemon.until("psu-a", stage="hold")
    assert (held["limit_a"], held["set_voltage_v"], held["stage_by_hand"]) == (0.2, 4.0, True)
    assert held["probe"]["passed"]
    assert held["probe"]["above_ohm"] > 100, "what a board draws at half a volt is less than can be read"
    # Refused before the hold has lasted its time, or taken as a wish for then.
    until(lambda: _next(daemon), lambda told: told == "", "the next stage")
    on = daemon.until("psu-a", stage="boot")
    assert on["limit_a"] == 2.0
    # The board's standby is 4 V / (4 V / 1.2 mA): 1.2 mA.
    leak = on["leak"]
    assert abs(leak["current_a"] - 0.0012) <= leak["uncertainty_a"]
    assert "within the 5 mA of a good board" in leak["text"]
    assert supply.truth(1).output
    daemon.off("psu-a")
    assert [e["payload"]["stage"] for e in entries(daemon, "output") if e["payload"].get("stage")][::-1] == [
        "probe", "hold", "boot",
    ]  # fmt: skip
    (entry,) = until(lambda: entries(daemon, "advance"), bool, "who went on, in the journal")
    assert entry["payload"]["by"] == "foot-switch"


def _next(daemon: Running) -> str:
    try:
        daemon.call("POST", "supplies/psu-a/channels/1/next", {"by": "foot-switch"})
    except OSError as refusal:
        return str(refusal)
    return ""


def test_a_dead_short_gets_a_probe_and_nothing_more(supply: SimulatedSupply, daemon: Running) -> None:
    daemon.call("POST", "supplies/psu-a/channels/2/on", {})
    daemon.until("psu-a", 2, latched=True, output="off")
    stopped = until(lambda: daemon.channel("psu-a", 2), lambda c: "number" in (c["trip"] or {}), "the trip's number")
    assert not supply.truth(2).output
    probe, trip = stopped["probe"], stopped["trip"]
    # The board's short of 0.15 Ω and the supply's leads of 0.05 Ω.
    assert abs(probe["resistance_ohm"] - 0.2) <= probe["uncertainty_ohm"] < 0.1
    assert (trip["rule"], trip["stage"], trip["over_budget"]) == ("short", "probe", False)
    assert trip["let_through_j"] < trip["let_through_j_most"] < 0.1
    (row,) = until(
        lambda: [row for row in daemon.call("GET", "traces")["traces"] if row["channel"] == 2],
        bool,
        "the probe's trace",
    )
    assert (row["finding"]["signature"], row["conditions"]["set_voltage_v"]) == ("dead-short", 0.5)
    kept = daemon.call("GET", f"trips/{trip['number']}")
    assert kept["trip"]["trace"] == row["id"]
    assert kept["readings"]["marks"]["detected"] == 0.0
    assert max(kept["readings"]["current_a"]) < 0.11, "never more than the probe's limit"
    daemon.until("psu-a", 2, rearm_wait_s=0.0)
    daemon.call("POST", "supplies/psu-a/channels/2/rearm", {"by": "command-line"})
    (entry,) = until(lambda: entries(daemon, "re-arm"), bool, "who re-armed, in the journal")
    assert entry["payload"] == {"by": "command-line", "rule": "short", "trip": trip["number"]}
