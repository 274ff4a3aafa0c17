"""`benchd procedure`: cards without a daemon, and runs through one."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import pytest

from benchd.jobs.job import Job
from benchd.procedures.record import Result, Run, Side
from benchd.store.log import Log
from benchd.store.procedure_rows import end_run
from tests.cli.asking import benchd, lines
from tests.running import Bench, Running, running
from tests.simulated import SimulatedSupply

RUN = Run(
    "P1", "leak-curve", 1, "Leak curve", "R-1", 10**18, (Side("main", "psu", 1),), "phone-cell", {}, "anna", 10**18 + 5,
    "failed", "Ohmic.", (Result("resistance", "Resistance to ground", 88.9, "Ω", 0.4, verdict="bad"),
                         Result("share", "Starts", 0.95, "", None, 0.76, 0.99), Result("kind", "Kind", "ohmic")),
    compared="Against the run before: lower.",
)  # fmt: skip


def test_cards_are_listed_shown_copied_and_checked(tmp_path: Path) -> None:
    data = ("--data-dir", tmp_path)
    assert {"find-short", "leak-curve", "sleep-current", "two-sides"} <= {
        each["name"] for each in lines(benchd("procedure", "list", "--json", *data))
    }
    shown = benchd("procedure", "show", "find-short", *data)
    assert "rail_v: Voltage that the rail is made for in V; has to be given; from 0.3 to 60" in shown
    assert "power_w: Power, at most in W; default by on_it (not known: 0.6 W, chips: 0.6 W, " in shown
    assert "voltage_v: Voltage in V; default rail_v, at most 0.5 V; from 0.05 to 5" in shown
    assert "on_it: What is on the rail; default not known; one of: not known, chips, " in shown
    assert "Disconnect the battery" in shown
    benchd("procedure", "copy", "leak-curve", "--as", "mine", *data)
    mine = tmp_path / "procedures" / "mine.toml"
    assert "in order" in benchd("procedure", "check", mine)
    mine.write_text(mine.read_text("utf-8").replace('do = "set"', 'do = "sett"'), "utf-8")
    assert "step[2].step[0].do = 'sett': allowed: 'on', 'off', 'set'" in benchd("procedure", "check", mine, status=2)
    assert "there are: cycle-test" in benchd("procedure", "show", "nothing", *data, status=1)


def test_what_came_of_runs_is_listed_and_told(tmp_path: Path) -> None:
    with Log.open(tmp_path / "benchd.sqlite") as log:
        log.add_job(Job("R-1"))
        end_run(log, RUN)
    data = ("--data-dir", tmp_path)
    assert "P1  Leak curve: failed. Ohmic." in benchd("procedure", "results", "--job", "R-1", *data)
    told = benchd("procedure", "results", "P1", *data)
    assert "Resistance to ground: 88.90 ± 0.40 Ω (bad)" in told
    assert "Starts: 0.95 (95 %: 0.76 to 0.99)" in told
    assert "Against the run before: lower." in told
    assert "is not in this log" in benchd("procedure", "results", "P9", *data, status=1)
    assert "Leak curve (P1): failed. Ohmic, by anna" in benchd("job", "show", "R-1", *data)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--on", "psu"), "'psu': an output is named as SUPPLY/CHANNEL, such as psu-a/1"),
        (("--on", "psu/1", "--set", "limit_a"), "--set 'limit_a': allowed is NAME=VALUE"),
    ],
)
def test_what_cannot_be_an_output_or_a_value_is_told(tmp_path: Path, words: tuple[str, ...], said: str) -> None:
    assert said in benchd("procedure", "run", "leak-curve", *words, "--data-dir", tmp_path, status=2)


def test_without_a_daemon_nothing_runs(tmp_path: Path) -> None:
    assert "no daemon runs here" in benchd(
        "procedure", "run", "leak-curve", "--on", "psu/1", "--data-dir", tmp_path, status=1
    )


def test_a_run_from_the_terminal_ends_with_its_results(tmp_path: Path) -> None:
    card = """
format = 1
title = "Look"
what = "Looks at the current."
cautions = ["Mind."]
[sides.main]
title = "Board"
[[step]]
do = "on"
voltage_v = 2.0
limit_a = 0.2
[[step]]
do = "measure"
name = "leak"
seconds = 0.1
[[step]]
do = "compare"
title = "Leak"
what = "leak.current_a"
below = 0.1
"""
    with (
        SimulatedSupply(board1="leak-only") as sim,
        running({"psu": Bench(sim.resource, 5.0, "benchd-sim")}, folder=tmp_path) as daemon,
    ):
        daemon.until_guarded()
        (tmp_path / "data" / "procedures").mkdir()
        (tmp_path / "data" / "procedures" / "look.toml").write_text(card, "utf-8")
        run = ("procedure", "run", "look", "--on", "psu/1", "--data-dir", tmp_path / "data")
        assert "not begun; say --yes when its cautions were read" in benchd(*run, status=1)
        told = benchd(*run, "--yes")
        assert "Look (P" in told
        assert "Leak: 22" in told
        assert "--set volts: procedure look has no parameters" in benchd(*run, "--yes", "--set", "volts=1", status=2)
        (row,) = lines(benchd("procedure", "results", "--json", "--data-dir", tmp_path / "data"))
        keep = ("procedure", "reference", row["id"], "--board", "blue", "--data-dir", tmp_path / "data")
        assert "has no curve over a voltage or the like of a run that came to its end" in benchd(*keep, status=1)
        assert sim.truth(1).output is False


def test_an_answer_is_read_by_what_is_asked(tmp_path: Path) -> None:
    """A name made of digits stays a text, and what is no number is refused with its unit."""
    card = """
format = 1
title = "Ask"
what = "Asks."
[sides.main]
title = "Board"
[[step]]
do = "ask"
name = "where"
text = "Where is it warm?"
kind = "text"
timeout_s = 60
[[step]]
do = "ask"
name = "celsius"
text = "How warm is it?"
kind = "number"
unit = "°C"
low = 0
high = 200
timeout_s = 60
"""
    with (
        SimulatedSupply(board1="none") as sim,
        running({"psu": Bench(sim.resource, 5.0, "benchd-sim")}, folder=tmp_path) as daemon,
    ):
        daemon.until_guarded()
        (tmp_path / "data" / "procedures").mkdir()
        (tmp_path / "data" / "procedures" / "ask.toml").write_text(card, "utf-8")
        side = {"role": "main", "supply": "psu", "channel": 1}
        run = daemon.call("POST", "runs", {"card": "ask", "sides": [side], "accept_cautions": True})["run"]
        answer, data = ("procedure", "answer", run), ("--data-dir", tmp_path / "data")
        _until_asked(daemon, run, "where")
        assert "'celsius': that is not asked now, but 'where'" in benchd(*answer, "celsius", "20", *data, status=1)
        benchd(*answer, "where", "0815", *data)
        _until_asked(daemon, run, "celsius")
        told = benchd(*answer, "celsius", "hot", *data, status=1)
        assert "celsius: 'hot' was given; allowed is a number in °C" in told
        benchd(*answer, "celsius", "40", *data)
        seen = _until_asked(daemon, run, "")
        given = [each["values"] for each in seen["run"]["happened"] if each["kind"] == "answer"]
        assert given == [{"where": "0815"}, {"celsius": 40.0}]


def _until_asked(daemon: Running, run: str, name: str) -> dict[str, Any]:
    """What is seen of the run once it asks that; with no name, once it has ended."""
    end_s = time.monotonic() + 20
    while time.monotonic() < end_s:
        seen: dict[str, Any] = daemon.call("GET", f"runs/{run}")
        now = seen.get("now")
        if (now is None) if not name else (now and (now.get("question") or {}).get("name") == name):
            return seen
    raise AssertionError(f"run {run} never asked {name!r}: {seen}")
