"""The stages before the boot: what they measure, when they are over, what speaks against the next one."""

from __future__ import annotations

import math
import statistics

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.guard.stage import STAGE_READINGS, StageRun
from benchd.guard.wire import Stage
from benchd.reading import Flag, Mode, Reading

PROBE = Stage("probe", 0.5, 0.1, 0.2, least_ohm=1.0)
HOLD = Stage("hold", 4.0, 0.3, 2.0)


def reading(t_s: float, voltage: float, current: float) -> Reading:
    return Reading(round(t_s * 1e9), voltage, current, Mode.UNKNOWN, Flag.NONE, 50_000)


def play(run: StageRun, rate: float, voltage: float, current: float, in_limit: bool = False) -> float:
    """Feed until it is over; after how many s."""
    for number in range(1, 100_000):
        if run.feed(reading(number / rate, voltage, current), in_limit):
            return number / rate
    raise AssertionError("never over")


@pytest.mark.parametrize("rate", [2, 5, 10, 100, 1000])
def test_a_stage_lasts_its_time_or_until_there_are_readings_enough(rate: int) -> None:
    took_s = play(StageRun(PROBE, 0), rate, 0.5, 0.001)
    assert took_s >= PROBE.seconds
    assert took_s <= max(PROBE.seconds, 0.1 + STAGE_READINGS / rate) + 1 / rate


@pytest.mark.parametrize(("voltage", "ohm"), [(0.02, 0.2), (0.0999, 0.999), (0.1, 1.0), (0.5, 5.0)])
def test_the_rail_below_the_least_resistance_is_a_short(voltage: float, ohm: float) -> None:
    run = StageRun(PROBE, 0)
    play(run, 50, voltage, 0.1)
    verdict = run.verdict()
    assert (verdict is not None) == (ohm < 1.0)
    if verdict is not None:
        assert verdict.rule == "short"
        assert f"{ohm:.3g} \N{OHM SIGN}".replace("\N{OHM SIGN}", "\N{GREEK CAPITAL LETTER OMEGA}") in verdict.text


def test_a_probe_that_costs_too_much_ends_with_what_it_knows() -> None:
    run = StageRun(Stage("probe", 0.5, 0.1, 1.0, least_ohm=10.0), 0)
    assert not run.feed(reading(0.1, 0.5, 0.1), True, 0.03)
    assert run.feed(reading(0.2, 0.5, 0.1), True, 0.06)
    assert run.verdict() is not None
    hold = StageRun(HOLD, 0)
    assert not hold.feed(reading(1.5, 4.0, 0.01), False, 5.0)


@pytest.mark.parametrize("current", [0.0, -0.001])
def test_open_leads_pass_the_probe(current: float) -> None:
    run = StageRun(PROBE, 0)
    play(run, 50, 0.5, current)
    assert run.verdict() is None


def test_a_negative_voltage_at_the_limit_fails_the_probe() -> None:
    run = StageRun(PROBE, 0)
    play(run, 50, -0.03, 0.1)
    assert run.verdict() is not None


def test_in_limit_to_the_end_of_the_hold_nothing_is_raised() -> None:
    run = StageRun(HOLD, 0)
    play(run, 50, 3.0, 0.3, in_limit=True)
    verdict = run.verdict()
    assert verdict is not None
    assert verdict.rule == "over-current"
    assert "Nothing was raised" in verdict.text
    good = StageRun(HOLD, 0)
    play(good, 50, 4.0, 0.002)
    assert good.verdict() is None


def test_a_hold_by_hand_waits_for_the_hand_but_not_shorter_than_its_time() -> None:
    run = StageRun(Stage("hold", 4.0, 0.3, 1.0, by_hand=True), 0)
    assert not any(run.feed(reading(n / 100, 4.0, 0.01), False) for n in range(1, 500))
    run.asked_to_go_on = True
    assert run.feed(reading(5.0, 4.0, 0.01), False)
    early = StageRun(Stage("hold", 4.0, 0.3, 1.0, by_hand=True), 0)
    early.asked_to_go_on = True
    assert play(early, 100, 4.0, 0.01) == 1.0


@settings(max_examples=100, deadline=None)
@given(st.lists(st.tuples(st.floats(-10, 10), st.floats(-10, 10)), min_size=3, max_size=50))
def test_mean_and_spread_are_those_of_the_last_half(values: list[tuple[float, float]]) -> None:
    run = StageRun(Stage("hold", 4.0, 0.3, 2.0), 0)
    run.feed(reading(0.5, 99.0, 99.0), False)  # the first half does not count
    run.feed(reading(1.5, math.nan, 1.0), False)
    for number, (voltage, current) in enumerate(values):
        run.feed(reading(1.5 + number * 0.001, voltage, current), False)
    found = run.report("left", 1, True)
    assert found.readings == len(values)
    for got_mean, got_spread, column in (
        (found.voltage_v, found.spread_v, [v for v, _ in values]),
        (found.current_a, found.spread_a, [a for _, a in values]),
    ):
        assert got_mean == pytest.approx(statistics.fmean(column), abs=1e-9)
        assert got_spread == pytest.approx(statistics.stdev(column), abs=1e-7)
