"""`benchd leads` through a daemon."""

from __future__ import annotations

from pathlib import Path

from tests.cli.asking import benchd, lines
from tests.running import Bench, running
from tests.simulated import SimulatedSupply


def test_leads_are_typed_in_and_listed(tmp_path: Path) -> None:
    with (
        SimulatedSupply(board1="none") as sim,
        running({"psu": Bench(sim.resource, 5.0, "benchd-sim")}, folder=tmp_path) as daemon,
    ):
        daemon.until_guarded()
        data = ("--data-dir", tmp_path / "data")
        assert "psu/1  nothing is known of these leads" in benchd("leads", "list", *data)
        told = benchd("leads", "set", "psu/1", "--mohm", "62", "--within", "3", "--celsius", "21", "--name", "thick",
                      *data)  # fmt: skip
        assert "psu/1  62.0 ± 3.0 mΩ, typed today (set 'thick', without sense leads, " in told
        assert ", 21 °C)" in told
        (view,) = (each for each in lines(benchd("leads", "list", "--json", *data)) if each["channel"] == 1)
        assert (view["origin"], view["leads"]["ohm"], view["leads"]["u_ohm"]) == ("typed", 0.062, 0.003)
        benchd("leads", "set", "psu/1", "--mohm", "20", *data)
        (view,) = (each for each in lines(benchd("leads", "list", "--json", *data)) if each["channel"] == 1)
        assert view["leads"]["u_ohm"] == 0.005
        assert [each["name"] for each in view["others"]] == ["thick"]
        assert "\n  also known: set 'thick', 62.0 ± 3.0 mΩ, without sense leads" in benchd("leads", "list", *data)
        assert "psu/1  62.0 ± 3.0 mΩ" in benchd("leads", "use", "psu/1", "--name", "thick", *data)
        told = benchd("leads", "list", *data)
        assert "psu/1  62.0 ± 3.0 mΩ" in told
        assert "\n  also known: the usual ones, 20.0 ± 5.0 mΩ, without sense leads" in told
        assert "were never measured there" in benchd("leads", "use", "psu/1", "--name", "thin", *data, status=1)
        assert "is not on this bench" in benchd("leads", "set", "psu/9", "--mohm", "62", *data, status=1)
        assert "SUPPLY/CHANNEL" in benchd("leads", "set", "psu", "--mohm", "62", *data, status=2)


def test_without_a_daemon_it_says_so(tmp_path: Path) -> None:
    assert "no daemon runs here" in benchd("leads", "list", "--data-dir", tmp_path, status=1)
