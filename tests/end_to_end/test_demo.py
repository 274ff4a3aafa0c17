"""`benchd demo`: comes up, plays every device, and ends with everything off."""

from __future__ import annotations

import json
import subprocess
import sys
from typing import Any

import psutil
import pytest

EXPECTED = {
    "LY-301": "dead-short",
    "LY-302": "low-stall",
    "LY-303": "early-leak",
    "LY-304": "boot-loop",
    "LY-305": "clean-boot",
}


def demo(*words: str) -> list[dict[str, Any]]:
    done = subprocess.run(
        [sys.executable, "-m", "benchd", "demo", *words, "--json"], capture_output=True, text=True, timeout=110
    )
    assert done.returncode == 0, done.stderr
    return [json.loads(line) for line in done.stdout.splitlines()]


def test_the_whole_play() -> None:
    events = demo("--for", "50")
    assert events[0]["event"] == "ready"
    assert events[0]["url"].startswith("http://127.0.0.1:")
    traces = {e["job"]: e for e in events if e["event"] == "trace"}
    assert {job: t["signature"] for job, t in traces.items()} == EXPECTED
    assert all(t["trace"] and t["readings"] > 2 for t in traces.values())
    # About 60 mA for the 4.5 s after the button: Q = I·t.
    assert 0.2 < traces["LY-302"]["charge_c"] < 0.35
    (trip,) = [e for e in events if e["event"] == "trip"]
    assert (trip["job"], trip["rule"], trip["off_confirmed"]) == ("LY-301", "short", True)
    assert trip["trace"] == traces["LY-301"]["trace"]
    # The probe finds it: 100 mA into 0.15 Ω is 1.5 mW (P = I²R), for 0.2 s and until it is off.
    assert 0 < trip["let_through_j"] < 0.01
    stages = {(e["channel"], e["stage"]) for e in events if e["event"] == "stage"}
    assert stages == {(2, "probe"), (1, "probe"), (1, "hold")}
    leaks = [e["current_a"] for e in events if e["event"] == "stage" and e["stage"] == "hold"]
    assert len(leaks) == 4
    assert max(leaks) == pytest.approx(0.045, abs=0.003)  # the board that leaks: 4 V into 4 V / 45 mA
    assert events[-1] == {**events[-1], "event": "done", "traces": 5, "trips": 1, "outputs_off_confirmed": True}


def test_it_ends_early_when_told_and_leaves_no_process() -> None:
    process = subprocess.Popen(
        [sys.executable, "-m", "benchd", "demo", "--for", "3", "--json"], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    assert json.loads(process.stdout.readline())["event"] == "ready"
    children = psutil.Process(process.pid).children(recursive=True)
    assert len(children) == 2  # the simulated supply and the guard
    *_, last = process.stdout.read().splitlines()
    assert process.wait(20) == 0
    assert {"event": "done", "outputs_off_confirmed": True}.items() <= json.loads(last).items()
    assert not any(child.is_running() for child in children)
