"""Random faults with the output on, see `tests/chaos`; and that a lie and a broken promise would be seen."""

from __future__ import annotations

import dataclasses
import json
import os
import random
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from websockets.sync.server import ServerConnection, serve

from tests.chaos.faults import STROKES
from tests.chaos.lane import Lane
from tests.chaos.run import happen, run, table
from tests.chaos.weather import clock_environment
from tests.chaos.witness import Witness
from tests.running import until
from tests.simulated import SimulatedSupply

FAULTS = 10
PATIENCE = 2.0
"""Twice what is promised: these tests share two cores with whatever else runs."""


@pytest.mark.timeout(600)
def test_random_faults_leave_the_output_off_or_are_told() -> None:
    """Another seed each time; to see the same again: `python -m tests.chaos --seed N`."""
    seed = int(os.environ.get("CHAOS_SEED") or random.randrange(10**6))
    print(f"seed {seed}")
    outcomes = run(FAULTS, seed, PATIENCE)
    print(told := table(outcomes))
    assert len(outcomes) == FAULTS
    assert not any(outcome.failure for outcome in outcomes), f"seed {seed}\n{told}"


@pytest.fixture
def lane(tmp_path: Path) -> Iterator[Lane]:
    lane = Lane("socket", tmp_path, random.Random(1), clock_environment(tmp_path))
    yield lane
    lane.close()


def test_a_promise_that_is_not_kept_is_seen(lane: Lane) -> None:
    frozen = next(stroke for stroke in STROKES if stroke.name == "daemon frozen")
    with pytest.raises(AssertionError, match="still on after"):
        happen(lane, dataclasses.replace(frozen, promised_s=0.05), 1, 1.0)


def test_a_lie_is_seen() -> None:
    def liar(page: ServerConnection) -> None:
        channel = {"supply": "psu", "channel": 1, "output": "off"}
        page.send(json.dumps({"type": "bench", "warnings": [], "channels": [channel]}))
        page.recv()  # until the page goes

    with SimulatedSupply() as sim, serve(liar, "127.0.0.1", 0) as server:
        witness = Witness(sim, "psu")
        try:
            host, port = server.socket.getsockname()[:2]
            threading.Thread(target=server.serve_forever, daemon=True).start()
            witness.follow(f"http://{host}:{port}")
            until(lambda: witness.told, lambda told: told == "off", "the lie to be told")
            assert witness.lies == []
            sim.command("OUTP ON")
            until(lambda: witness.lies, bool, "the lie to be seen")
            assert witness.alive()
        finally:
            witness.close()
            server.shutdown()
