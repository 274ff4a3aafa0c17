"""`benchd procedure rehearse`: every shipped card is played through, and what ends badly says so in its status."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchd.procedures.shelf import shipped
from tests.cli.asking import benchd, lines

SET = {
    "find-short": ("rail_v=1.1",),
    "sleep-current": ("hours=0.02", "boot_s=10"),
    "soak": ("hours=0.02", "boot_s=10"),
    "cycle-test": ("starts=3",),
}
"""What has to be given, and what makes it shorter."""
CARD = """
format = 1
title = "Look"
what = "Looks at the current."
[sides.main]
title = "Board"
[[step]]
do = "on"
voltage_v = 4.0
limit_a = {limit_a}
[[step]]
do = "measure"
name = "leak"
seconds = 0.5
[[step]]
do = "compare"
title = "Leak"
what = "leak.current_a"
below = 0.01
"""


@pytest.mark.parametrize("name", shipped())
def test_every_shipped_card_comes_to_its_end(name: str, tmp_path: Path) -> None:
    words = [word for each in SET.get(name, ()) for word in ("--set", each)]
    (told,) = lines(benchd("procedure", "rehearse", name, *words, "--json", "--data-dir", tmp_path))
    assert told["simulated"] is True
    assert told["still_on"] == []
    assert told["run"]["outcome"] in ("passed", "done", "failed")
    assert told["run"]["results"]
    assert told["simulated_s"] > 0


def card(folder: Path, limit_a: float = 0.2) -> Path:
    file = folder / "look.toml"
    file.write_text(CARD.format(limit_a=limit_a), "utf-8")
    return file


def test_a_card_of_ones_own_shows_its_steps_and_says_that_the_board_is_simulated(tmp_path: Path) -> None:
    told = benchd("procedure", "rehearse", card(tmp_path), "--board", "leak")
    assert told.startswith("Figures of a simulated board on a simulated supply, not of a real one.")
    assert "side main: at most 4 V, 0.2 A, inside plan phone-cell" in told
    assert "on: side main, 4 V, limit 0.2 A" in told
    assert "Look (rehearsal): failed." in told
    assert "(bad)" in told
    assert "side main: the most that was set: 4 V, 0.2 A" in told
    assert "all outputs were off at the end" in told
    good = benchd("procedure", "rehearse", card(tmp_path), "--board", "main=clean")
    assert "Look (rehearsal): passed." in good


@pytest.mark.parametrize(
    ("board", "said"),
    [
        ("dead-short", "tripped. side main: short: 0.2"),
        ("reversed", "refused. side main: -3.8 V at the leads before power: another source"),
    ],
)
def test_a_run_that_is_cut_ends_with_status_1_and_all_off(board: str, said: str, tmp_path: Path) -> None:
    told = benchd("procedure", "rehearse", card(tmp_path), "--board", board, status=1)
    assert said in told
    assert "all outputs were off at the end" in told


def test_a_long_measurement_is_cut_short_and_that_is_said(tmp_path: Path) -> None:
    told = benchd("procedure", "rehearse", "sleep-current", "--data-dir", tmp_path)
    assert "cut short after 10 min: a rehearsal watches no longer" in told
    assert "\nCut short: what comes of hours is not rehearsed.\n" in told
    assert "Sleep current (rehearsal): done." in told


def test_a_card_that_breaks_off_is_no_rehearsal_that_went_well(tmp_path: Path) -> None:
    """`charging` feeds back into the battery side as soon as USB comes."""
    told = benchd("procedure", "rehearse", "two-sides", "--board", "battery=charging", "--data-dir", tmp_path, status=1)
    assert "the board feeds back into it" in told
    assert "all outputs were off at the end" in told


def test_a_short_is_found_by_the_probe_of_the_plan_and_a_leak_by_its_hold(tmp_path: Path) -> None:
    data = ("--data-dir", tmp_path)
    assert "side main: probe: " in benchd(
        "procedure", "rehearse", "source-sag", "--board", "dead-short", *data, status=1
    )
    told = benchd("procedure", "rehearse", "source-sag", "--board", "low-stall", *data)
    assert "Sag of a tired battery (rehearsal): " in told


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (
            ("soak",),
            1,
            "soak: refused: step[3].longest_s: 43200 s would be watched, and plan 'phone-cell' switches off",
        ),
        (("find-short",), 1, "rail_v: has to be given, in V"),
        (("leak-curve", "--set", "limit_a=much"), 2, "'much' was given; allowed is a number in A"),
        (("leak-curve", "--board", "moon"), 2, "--board moon: there is no such kind; there are: none, clean"),
        (("leak-curve", "--board", "usb=clean"), 2, "card leak-curve has no side usb; it has main"),
        (("leak-curve", "--plan", "moon"), 2, "plan 'moon' is not there"),
        (("nothing",), 1, "procedure 'nothing' is not there"),
        (("nothing.toml",), 1, "nothing.toml: cannot be read"),
    ],
)
def test_what_cannot_be_played_is_refused(words: tuple[str, ...], status: int, said: str, tmp_path: Path) -> None:
    assert said in benchd("procedure", "rehearse", *words, "--data-dir", tmp_path, status=status)


def test_more_than_the_plan_allows_is_refused(tmp_path: Path) -> None:
    told = benchd("procedure", "rehearse", card(tmp_path, 3.0), status=1)
    assert "step[0].limit_a: 3 A would be set; allowed is above 0 A up to 2 A, as plan 'phone-cell' says" in told
