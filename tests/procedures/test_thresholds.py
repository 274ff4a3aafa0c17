"""A board that gives up at one voltage and starts at another."""

from __future__ import annotations

import asyncio

import numpy as np
import pytest

from benchd.procedures.record import LeadSet, Run
from benchd.procedures.shelf import shipped
from tests.procedures.hands import T0, Board, FakeHands
from tests.procedures.test_engine import played


def board(cut_off_v: float, start_v: float) -> Board:
    """Draws 0.2 A while it runs, 1 mA else."""
    running = [True]

    def draws(set_v: float, limit_a: float, _: float) -> tuple[float, float]:
        if running[0] and set_v < cut_off_v:
            running[0] = False
        elif not running[0] and set_v >= start_v:
            running[0] = True
        return set_v, 0.2 if running[0] else 0.001

    return draws


def tried(cut_off_v: float, start_v: float, seed: int = 1, **parameters: float) -> Run:
    hands = FakeHands({"main": board(cut_off_v, start_v)}, seed=seed)
    hands.answers = {"ready": True}
    run = asyncio.run(played(shipped()["low-battery"].card, hands, boot_s=1.0, rest_s=0.1, **parameters)).run
    assert hands.now == {}
    return run


def test_both_voltages_are_held_by_their_intervals_as_often_as_they_say() -> None:
    """A step and the meter's offset are both limits, so that the sum is not normal; 95 of 100 lie inside."""
    rng = np.random.default_rng(7)
    held = 0
    for seed in range(30):
        cut_off_v, start_v = rng.uniform(2.8, 3.2), rng.uniform(3.3, 3.7)
        run = tried(cut_off_v, start_v, seed, step_v=0.1)
        found = {row.name: row for row in run.results}
        held += abs(found["cut_off"].value - cut_off_v) <= found["cut_off"].u  # type: ignore[operator]
        held += abs(found["start"].value - start_v) <= found["start"].u  # type: ignore[operator]
    assert 53 <= held <= 60, held  # of 60; 57 are 95 %


def test_it_is_told_against_what_a_good_board_does() -> None:
    assert tried(3.0, 3.4, lowest_good_v=3.2).outcome == "passed"
    failed = tried(3.5, 3.7, lowest_good_v=3.2)
    assert (failed.outcome, "It gives up above 3.2 V." in failed.text) == ("failed", True)
    assert tried(3.19, 3.5, lowest_good_v=3.2).outcome == "unclear"


def test_a_board_that_never_gives_up_and_one_that_never_starts_are_told() -> None:
    assert "Down to 2.4" in tried(1.0, 1.2).text
    assert "it did not start" in tried(3.0, 9.0).text
    assert tried(9.0, 9.5).outcome == "unclear"  # it never ran


def test_the_curves_have_every_step() -> None:
    run = tried(3.0, 3.4, step_v=0.1)
    assert [curve.name for curve in run.curves] == ["down", "up"]
    assert run.curves[0].columns[1].values[0] == pytest.approx(0.2, abs=0.005)


def test_at_the_step_where_it_gives_up_the_leads_still_take_what_it_drew() -> None:
    """Leads of 0.5 Ω at 0.2 A take 0.1 V: a board that gives up at 3.0 V does so at 3.1 V of the supply."""
    at_board = board(3.0, 3.4)

    def behind_leads(set_v: float, limit_a: float, seconds: float) -> tuple[float, float]:
        _, amps = at_board(set_v - 0.5 * drew[0], limit_a, seconds)
        drew[0] = amps
        return set_v, amps

    drew = [0.2]
    hands = FakeHands({"main": behind_leads}, exact=True)
    hands.answers = {"ready": True}
    hands.lead = LeadSet("psu", 1, "", 0.5, 0.001, 1.0, None, T0)
    run = asyncio.run(played(shipped()["low-battery"].card, hands, boot_s=1.0, rest_s=0.1, step_v=0.02)).run
    found = {row.name: row for row in run.results}
    assert abs(found["cut_off"].value - 3.0) <= found["cut_off"].u  # type: ignore[operator]
    assert abs(found["start"].value - 3.4) <= found["start"].u  # type: ignore[operator]
    assert "at the supply" not in run.text


def test_leads_that_noise_made_less_than_nothing_end_no_run() -> None:
    """As of sense leads, which leave next to nothing: 0.2 ± 0.4 mΩ below zero."""
    hands = FakeHands({"main": board(3.0, 3.4)})
    hands.answers = {"ready": True}
    hands.lead = LeadSet("psu", 1, "", -0.0002, 0.0004, 1.0, None, T0, run="P1", sense="remote")
    run = asyncio.run(played(shipped()["low-battery"].card, hands, boot_s=1.0, rest_s=0.1, step_v=0.05)).run
    assert run.outcome == "done"
    assert {"cut_off", "start"} <= {row.name for row in run.results if isinstance(row.value, float)}
