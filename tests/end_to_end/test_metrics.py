"""The figures of a whole daemon that drives a supply, as a metrics server gets them."""

from __future__ import annotations

import subprocess
import urllib.request
from pathlib import Path

import pytest
from prometheus_client.parser import text_string_to_metric_families

from benchd.store.log import Log
from tests.running import Bench, Running, running, until
from tests.services import needs
from tests.simulated import SimulatedSupply

OUTPUT = {"bench": "tried", "supply": "s", "channel": "1"}


def scraped(daemon: Running) -> bytes:
    with urllib.request.urlopen(f"{daemon.url}/metrics", timeout=10) as answer:
        assert answer.headers["Content-Type"] == "text/plain; version=0.0.4; charset=utf-8"
        text: bytes = answer.read()
    return text


def figure(text: bytes, name: str, **labels: str) -> float | None:
    """The value of one series; None: there is none."""
    for family in text_string_to_metric_families(text.decode()):
        for sample in family.samples:
            if sample.name == name and labels.items() <= sample.labels.items():
                return sample.value
    return None


def readings_in(log: Path) -> int:
    with Log.open(log, read_only=True) as db:
        return int(db.rows("SELECT coalesce(sum(n), 0) FROM blocks")[0][0])


@pytest.mark.needs_promtool
def test_the_figures_are_those_of_what_happened() -> None:
    with SimulatedSupply() as sim, running({"s": Bench(sim.resource, 5.0, "benchd-sim", timeout_ms=800.0)}) as daemon:
        sim.board(1, "clean")
        assert figure(scraped(daemon), "benchd_output_state", state="off", **OUTPUT) == 1
        daemon.on("s")
        on = scraped(daemon)
        assert figure(on, "benchd_output_state", state="on", **OUTPUT) == 1
        assert figure(on, "benchd_output_state", state="off", **OUTPUT) == 0
        sim.board(1, "dead-short")
        daemon.until("s", latched=True, output="off")
        seen = until(lambda: daemon.channel("s"), lambda c: c["trip"] is not None, "the trip's record")
        rule = seen["trip"]["rule"]
        assert figure(scraped(daemon), "benchd_trips_total", rule=rule, **OUTPUT) == 1

        # What was counted is what is in the log: not less than before the question, all of it soon after.
        before = readings_in(daemon.log_file)
        text = scraped(daemon)
        counted = figure(text, "benchd_readings_total", **OUTPUT)
        assert counted is not None
        assert before <= counted
        until(lambda: readings_in(daemon.log_file), lambda n: n >= counted, f"{counted} readings in the log")

        assert figure(text, "benchd_output_latched", **OUTPUT) == 1
        assert figure(text, "benchd_guard_state", state="alive", bench="tried") == 1
        assert figure(text, "benchd_guard_restarts_total", bench="tried") == 0
        assert figure(text, "benchd_log_state", state="ok", bench="tried") == 1
        resident = figure(text, "benchd_guard_process_resident_memory_bytes")
        assert resident is not None
        assert 5e6 < resident < 500e6
        tool = needs("promtool", "prometheus")
        said = subprocess.run([tool, "check", "metrics"], input=text, capture_output=True, timeout=30)
        assert (said.returncode, said.stdout + said.stderr) == (0, b"")
