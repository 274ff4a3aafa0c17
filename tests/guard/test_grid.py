"""Inrush is not a short: a part of the grid, taken by chance, and what the docs say of it. See grid.py."""

from __future__ import annotations

import random
from functools import cache

import pytest

from benchd.sim.board import KINDS
from benchd.supplies.profile import load_profile, profile_names
from tests.guard import grid
from tests.guard.grid_bench import STEPS, Act, Meter, Story, clip, judge, play


@cache
def outcomes(how: str) -> list[grid.Outcome]:
    return grid.part(how)


@pytest.mark.parametrize("how", grid.STARTS)
def test_no_start_that_a_correct_supply_completes_trips(how: str) -> None:
    assert [each for each in outcomes(how) if each.wrong] == []


@pytest.mark.parametrize("how", grid.SHORTS)
def test_every_short_trips_at_the_first_reading_that_can_tell_or_before(how: str) -> None:
    assert [each for each in outcomes(how) if each.wrong] == []


def test_the_starts_of_the_grid_do_complete_and_its_shorts_do_pin_the_limit() -> None:
    """Else the two tests above would prove nothing."""
    for how in ("switched on", "clipped on", "clip bounces"):
        for case in grid.cases(how, random.Random(1), 60):
            *_, last = play(grid.story(case), case.meter, case.seed)
            assert last.voltage_v > 0.97 * case.voltage_v, case
            assert not last.in_limit, case
    for case in grid.cases("comes later", random.Random(1), 60):
        *_, last = play(grid.story(case), case.meter, case.seed)
        assert last.voltage_v < 0.85 * case.voltage_v, case
        assert last.in_limit, case


def test_both_kinds_of_short_and_all_ways_of_reading_are_in_the_part() -> None:
    tried = [each.case for how in grid.SHORTS if how != "bouncing" for each in outcomes(how)]
    assert {(grid.is_collapse(case), case.meter.rate, case.meter.way) for case in tried} == {
        (collapse, rate, way) for collapse in (True, False) for rate in grid.RATES for way in grid.WAYS
    }


def test_the_table_of_the_docs_is_what_the_rules_do() -> None:
    told = grid.TABLE.read_text("utf-8")
    made = grid.table([each for how in grid.PART for each in outcomes(how)])
    assert grid.with_table(told, made) == told, "run: python -m tests.guard.grid table"


def test_the_steps_are_those_of_the_shipped_profiles() -> None:
    shipped = {
        (output.read_resolution_v, output.read_resolution_a)
        for name in profile_names()
        for output in load_profile(name).outputs
    }
    finest_v, finest_a = min(STEPS)
    assert {(max(volts, finest_v), max(amps, finest_a)) for volts, amps in shipped if volts < 0.1} == set(STEPS)


def test_a_meter_s_window_is_no_longer_than_what_the_rules_are_told_of() -> None:
    meter = Meter(50, 0.001, 0.001, "renewed", True, 0.0)
    assert meter.window_s == pytest.approx(0.08)
    assert meter.resolution.refresh_s == meter.window_s
    assert Meter(50, 0.001, 0.001, "whole", True, 0.0).resolution.refresh_s == 0


def test_a_cell_the_wrong_way_round_is_told_at_the_first_reading_in_limit() -> None:
    meter = Meter(50, 0.01, 0.01, "instant", False, 0.03)
    story = Story(4.0, 0.5, 2e-3, 0.05, (Act(0.0, clip(KINDS["reversed"])),), 0.01, 0.5)
    found = judge(story, meter, [each.reading for each in play(story, meter, 1)])
    assert found is not None
    number, verdict = found
    assert (number, verdict.rule) == (0, "reverse")
