"""`benchd supplies` as a user types it. The rest of the machine's places may be listed too; they are not looked at."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from benchd import settings
from tests.cli.asking import benchd
from tests.simulated import SimulatedSupply


def supplies(*words: str | Path, status: int = 0) -> str:
    return benchd("supplies", *words, status=status)


def of(resource: str, text: str) -> dict[str, Any]:
    (found,) = [item for item in map(json.loads, text.splitlines()) if item.get("resource") == resource]
    return found


def test_from_nothing_to_settings_that_are_in_order_and_no_second_time(tmp_path: Path) -> None:
    file = tmp_path / "benchd.toml"
    with SimulatedSupply(serial="UNIT7") as sim:
        # Named, so that nothing else that this machine has is written.
        said = supplies(sim.resource, "--write", "--name", "left", "--config", file)
        assert f"{file}: supply left added" in said
        loaded = settings.load(file)
        assert [(s.name, s.resource, s.serial) for s in loaded.supply] == [("left", sim.resource, "UNIT7")]
        before = file.read_text()
        again = supplies(sim.resource, "--write", "--name", "right", "--config", file, status=1)
        assert "stands there as supply left already" in again
        assert file.read_text() == before
        mine = of(sim.resource, supplies("--identify", "--config", file, sim.resource, "--only", "--json"))
    assert (mine["serial"], mine["trust"], mine["warnings"]) == ("UNIT7", "simulated", [])


def test_a_supply_of_the_settings_that_runs_is_not_disturbed(tmp_path: Path) -> None:
    from benchd.daemon.run import lock_dir
    from benchd.supplies.lock import SupplyLock

    with SimulatedSupply() as sim:
        lock = SupplyLock(lock_dir(), sim.resource, "the guard of supply left")
        try:
            mine = of(sim.resource, supplies("list", sim.resource, "--identify", "--only", "--json"))
        finally:
            lock.release()
    assert mine["identity"] == ""
    assert "the guard of supply left" in mine["text"]


def test_a_file_out_of_order_ends_it_before_anything_is_asked(tmp_path: Path) -> None:
    file = tmp_path / "benchd.toml"
    file.write_text("bench = ")
    said = supplies("--write", "--config", file, status=1)
    assert "not valid TOML, so nothing is added" in said
    assert len(said.strip().splitlines()) == 1
    assert file.read_text() == "bench = "


@pytest.mark.parametrize("rates", ["", "9600,", "fast", "9600,5", "-9600"])
def test_rates_that_cannot_be_are_refused(rates: str) -> None:
    assert "allowed are rates of 300 to 4000000 baud" in supplies("--identify", "--baud", rates, status=2)


def test_the_help_says_what_identifying_may_do() -> None:
    said = " ".join(supplies("list", "--help").split())
    assert "never a set command" in said
    assert "may disturb a device" in said
    assert "list" in supplies("--help")
