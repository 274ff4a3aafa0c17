"""A job forgotten and old readings thinned while a whole daemon records: the one is gone, nothing new is lost."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from typer.testing import CliRunner

from benchd.cli.main import app
from benchd.jobs.job import Job
from benchd.store.log import Log
from tests.running import Bench, running, until
from tests.simulated import SimulatedSupply
from tests.store.test_forgetting import holding
from tests.store.test_thinning import record

OWNER = "Frau Überall, Tel. 0123-456789"
YEAR_NS = 365 * 86_400_000_000_000


@pytest.fixture
def sim() -> Iterator[SimulatedSupply]:
    with SimulatedSupply() as sim:
        yield sim


def test_the_daemon_goes_on_meanwhile(sim: SimulatedSupply, tmp_path: Path) -> None:
    data = tmp_path / "data"
    old_ns = time.time_ns() - YEAR_NS
    with Log.open(data / "benchd.sqlite") as log:
        record(log, 600, old_ns)
        log.add_job(Job("R-1042", "a blue phone", "demo-a", OWNER))
    with running(
        {"psu": Bench(sim.resource, interval_ms=5.0, profile="benchd-sim", timeout_ms=800.0)}, folder=tmp_path
    ) as daemon:

        def run(*words: str, status: int = 0) -> str:
            done = CliRunner().invoke(app, [*words, "--config", str(daemon.config)])
            assert done.exit_code == status, done.output
            return done.output

        daemon.call("PUT", "bench/job", {"job": "R-1042"})
        sim.board(1, "leak")
        daemon.on("psu")
        until(lambda: daemon.channel("psu")["trace"], bool, "a trace to open")
        run("job", "note", f"called {OWNER}")
        said = json.loads(run("log", "thin", "--months", "6", "--json"))
        assert (said["readings_before"], said["readings_after"] < 600) == (30_000, True)
        daemon.off("psu")
        (row,) = until(lambda: daemon.call("GET", "traces")["traces"], lambda t: len(t) == 1, "the trace to be filed")
        assert "R-1042 is on the bench: take it off first" in run("job", "forget", "R-1042", "--yes", status=1)
        run("job", "use")
        done = json.loads(run("job", "forget", "R-1042", "--yes", "--json"))
        assert (done["left"], done["traces"], done["notes"]) == ("", 1, 1)
        assert holding(data, "Überall", "R-1042", "a blue phone") == set()
        assert daemon.call("GET", f"traces/{row['id']}")["job"] == done["job"]
        assert daemon.end() == 0
    assert holding(data, "Überall", "R-1042", "a blue phone") == set()
    with Log.open(data / "benchd.sqlite", read_only=True) as log:
        found = log.whole_trace(row["id"])
        assert found is not None
        assert len(found.samples) == row["readings"]
        assert log.rows("PRAGMA integrity_check") == [("ok",)]
    assert "Traceback" not in daemon.errors()
