"""What a real guard decided, tried again from the log while the daemon still writes it."""

from __future__ import annotations

import json
import subprocess
import sys
from typing import Any

from tests.running import REARM_SOON, Bench, Running, running, until
from tests.simulated import SimulatedSupply

PLAN = """
hold = { limit_a = 0.2, seconds = 0.3 }
"""


def replayed(daemon: Running, *words: str) -> dict[str, dict[str, Any]]:
    done = subprocess.run(
        [sys.executable, "-m", "benchd", "replay", "--config", str(daemon.config), "--json", *words],
        capture_output=True, text=True, timeout=60,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return {row["trace"]: row for row in map(json.loads, done.stdout.splitlines()) if row["kind"] == "trace"}


def test_the_guards_decisions_come_again_from_the_log() -> None:
    """A dead short into the hold, one in the middle of the boot, and a board that was switched off by hand."""
    with SimulatedSupply(board1="late-short", board2="dead-short") as supply:
        bench = Bench(supply.resource, interval_ms=5.0, profile="benchd-sim", channels=(1, 2))
        with running({"psu-a": bench}, REARM_SOON, PLAN) as daemon:
            daemon.on("psu-a", 2)
            daemon.until("psu-a", 2, latched=True, output="off")
            daemon.on("psu-a", 1)
            daemon.until("psu-a", 1, stage="boot")
            daemon.until("psu-a", 1, capture="connected")
            supply.button(1)
            daemon.until("psu-a", 1, latched=True, output="off")
            rows = until(lambda: daemon.call("GET", "traces")["traces"], lambda rows: len(rows) == 2, "both traces")
            found = replayed(daemon)
            tried = replayed(daemon, "--rule", "short_hold_ms=200", "--rule", "limit_hold_ms=0")
    assert set(found) == {row["id"] for row in rows}
    assert [row["change"] for row in found.values()] == ["same", "same"], found
    assert sorted(row["trip_was"]["stage"] for row in found.values()) == ["boot", "hold"]
    for row in found.values():
        assert row["trip_now"]["at_s"] == row["trip_was"]["at_s"]
        assert row["trip_now"]["rule"] == row["trip_was"]["rule"] == "short"
    # The output was cut long before the slower rule would have decided, so that no more is known.
    assert [row["change"] for row in tried.values()] == ["no-trip", "no-trip"]
