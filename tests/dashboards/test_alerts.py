"""The example of alert rules: each fires when it should, and none asks for a figure that the daemon does not have."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest

from benchd.daemon.bench import Bench
from benchd.daemon.core import Core
from benchd.guard.wire import Health
from tests.daemon.making import FakeGuard, past, readings, trip
from tests.dashboards import reference
from tests.services import needs

FOLDER = Path(__file__).resolve().parents[2] / "dashboards" / "prometheus"
RULES = FOLDER / "benchd.rules.yml"
CASES = FOLDER / "benchd.rules.test.yml"


def promtool(*words: str) -> str:
    done = subprocess.run(
        [needs("promtool", "prometheus"), *words], cwd=FOLDER, capture_output=True, text=True, timeout=60
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.mark.needs_promtool
def test_the_rules_are_sound() -> None:
    assert "SUCCESS" in promtool("check", "rules", "--lint=all", "--lint-fatal", RULES.name)


@pytest.mark.needs_promtool
def test_each_alert_fires_when_it_should_and_keeps_quiet_else() -> None:
    assert "SUCCESS" in promtool("test", "rules", CASES.name)


@pytest.mark.needs_promtool
def test_the_example_of_a_server_s_settings_is_sound() -> None:
    assert "SUCCESS" in promtool("check", "config", "prometheus.yml")


def test_no_alert_is_left_out_of_the_cases() -> None:
    """Each is asked for twice at least: when it fires, and when it does not."""
    asked = re.findall(r"alertname: (\w+)\n\s+eval_time: \S+\n\s+exp_alerts:( \[\])?", CASES.read_text("utf-8"))
    quiet = {name for name, nothing in asked if nothing}
    fires = {name for name, nothing in asked if not nothing}
    alerts = set(re.findall(r"- alert: (\w+)", RULES.read_text("utf-8")))
    assert alerts == quiet == fires


async def test_the_rules_ask_for_figures_that_there_are(core: Core, bench: Bench, guard: FakeGuard) -> None:
    core.on_report(readings(past(10), [0.1] * 30))
    core.on_report(Health("psu-a", 1, past(0), 50, 20.0, 0.4, 31.0, 2.5, 0.2))
    core.on_report(trip(past(1), readings(past(2), [2.0] * 3)))
    told = {"state": "ok", "backlog": 1, "rejected": 0, "last_ok_ns": 1, "lag_s": 0.5}
    core.followers["influxdb"] = lambda: told
    known = set(re.findall(r"^# HELP (\S+)", bench.metrics("")[0].decode(), re.MULTILINE))
    asked = set(re.findall(r"\bbenchd_\w+", RULES.read_text("utf-8")))
    assert asked
    assert asked <= known


def test_the_list_of_figures_is_current() -> None:
    assert reference.README.read_text("utf-8") == reference.text(), "python -m tests.dashboards.reference"
