"""Supplies of several families with two channels each behind one daemon: each is driven in its own words."""

from __future__ import annotations

import contextlib
from pathlib import Path

from tests.running import Bench, running
from tests.simulated import SimulatedSupply

FAMILIES = ("benchd-sim", "rigol-dp800", "rs-hmc804x", "siglent-spd3303x", "rs-ngx")


def test_outputs_of_different_families_go_on_and_off_side_by_side(tmp_path: Path) -> None:
    with contextlib.ExitStack() as undo:
        sims = {
            family: undo.enter_context(SimulatedSupply(family=family, pace=0.0, board1="leak", board2="leak"))
            for family in FAMILIES
        }
        bench = {
            family: Bench(sim.resource, interval_ms=20.0, profile=family, channels=(1, 2))
            for family, sim in sims.items()
        }
        daemon = undo.enter_context(running(bench, folder=tmp_path))
        for family, sim in sims.items():
            for number in (1, 2):
                daemon.on(family, number)
                assert sim.truth(number).output
        channels = daemon.call("GET", "bench")["channels"]
        assert {c["output"] for c in channels} == {"on"}
        assert {c["profile"] for c in channels} == set(FAMILIES)
        assert all(c["model"] and c["trust"] not in ("", "unverified") for c in channels)
        daemon.call("POST", "off")
        assert not any(sim.truth(number).output for sim in sims.values() for number in (1, 2))
