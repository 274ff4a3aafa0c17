"""A supply with an unverified profile, from the daemon's start to power: refused, accepted once, and asked about again
when its profile changes."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from benchd.share import share_path
from benchd.store.log import Log
from tests.running import Bench, Running, running, start, until
from tests.simulated import SimulatedSupply

FAMILY = "keysight-e36100"


def accept(daemon: Running, *words: str, answer: str = "") -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "benchd", "supplies", "accept", "psu", "--config", str(daemon.config), *words]
    return subprocess.run(command, capture_output=True, text=True, timeout=60, input=answer)


def asked(daemon: Running) -> dict[str, Any]:
    return daemon.until("psu", link_up=True, trust="unverified")


def test_power_goes_on_only_after_consent_which_is_kept(tmp_path: Path) -> None:
    profile = tmp_path / "mine.toml"
    text = (share_path("drivers") / f"{FAMILY}.toml").read_text().replace(f'"{FAMILY}"', '"mine"', 1)
    profile.write_text(text)
    with SimulatedSupply(family=FAMILY, pace=0.0) as sim:
        bench = {"psu": Bench(sim.resource, interval_ms=5.0, profile=str(profile))}
        with running(bench, folder=tmp_path) as daemon:
            assert asked(daemon)["consent_key"]
            with pytest.raises(OSError, match=r"409.*consent-needed.*nobody has consented to its unverified profile"):
                daemon.on("psu")
            assert not sim.truth(1).output
            refused = accept(daemon, answer="n\n")
            assert refused.returncode == 1
            assert "Profile mine is unverified" in refused.stdout
            assert "nothing was consented to" in refused.stderr
            done = accept(daemon, "--who", "Ada", "--json", answer="y\n")
            assert (done.returncode, '"accepted":true' in done.stdout) == (0, True)
            daemon.on("psu")
            daemon.until("psu", output="on")
            assert sim.truth(1).output
            again = accept(daemon, "--yes")
            assert (again.returncode, "needs no consent, or it was given before" in again.stdout) == (0, True)
            assert "is unverified" in daemon.errors()
        profile.write_text("# A remark changes nothing.\n" + text)
        with running(bench, folder=tmp_path) as daemon:
            assert asked(daemon)["consent_key"] == ""
            daemon.on("psu")
            daemon.off("psu")
        profile.write_text(text.replace('notes = ["', 'notes = ["New. '))
        with running(bench, folder=tmp_path) as daemon:
            assert "New." in asked(daemon)["consent_text"]
            with pytest.raises(OSError, match="consent-needed"):
                daemon.on("psu")
    with Log.open(tmp_path / "data" / "benchd.sqlite", read_only=True) as log:
        (entry,) = log.journal(kinds=["consent"])
        assert (entry.supply, entry.payload["profile"], entry.payload["who"]) == ("psu", "mine", "Ada")


def test_accepting_without_a_daemon_or_a_supply_of_that_name_says_so(tmp_path: Path) -> None:
    with SimulatedSupply() as sim, running({"other": Bench(sim.resource, profile="benchd-sim")}) as daemon:
        said = accept(daemon)
        assert (said.returncode, "no supply 'psu' on this bench; there are: other" in said.stderr) == (1, True)
        config = daemon.config.read_text()
    (tmp_path / "benchd.toml").write_text(config)
    words = [sys.executable, "-m", "benchd", "supplies", "accept", "other", "--config", str(tmp_path / "benchd.toml")]
    alone = subprocess.run(words, capture_output=True, text=True, timeout=60)
    assert (alone.returncode, "no daemon runs for the log in" in alone.stderr) == (1, True)


def test_one_unit_under_two_names_is_held_once_and_told(tmp_path: Path) -> None:
    with SimulatedSupply(serial="A7") as sim:
        twin = sim.resource.replace("127.0.0.1", "localhost")
        assert twin != sim.resource
        bench = {"left": Bench(sim.resource, profile="benchd-sim"), "right": Bench(twin, profile="benchd-sim")}
        daemon = start(bench, tmp_path)
        try:
            view = until(
                lambda: daemon.call("GET", "bench"),
                lambda b: any("are one and the same unit" in w for w in b["warnings"]),
                "a warning about the two",
            )
            (warning,) = [w for w in view["warnings"] if w.startswith("supplies ")]
            assert "left" in warning
            assert "right" in warning
            links = sorted(c["link_up"] for c in view["channels"])
            assert links == [False, True]
        finally:
            daemon.end()
