"""How alike a trace and its references are."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.traces.band import Band
from benchd.traces.similarity import shared, similarity
from tests.traces import power_ups


def of(board, band: Band, rate: float = 50.0) -> float:
    found = similarity(power_ups.trace(board, 9, rate), band)
    assert found is not None
    return found


def test_it_is_the_share_of_the_charge_that_both_have() -> None:
    t_s = np.arange(20) * 0.2
    one = np.full(20, 0.1)
    assert shared(one, one, t_s, 0.2) == 1.0
    assert shared(one, 2 * one, t_s, 0.2) == pytest.approx(0.5)
    assert shared(one, 100 * one, t_s, 0.2) == pytest.approx(0.01)


def test_what_comes_a_little_later_is_still_alike() -> None:
    t_s = np.arange(40) * 0.2
    step = np.where(t_s < 4.0, 0.1, 0.6)
    later = np.where(t_s < 4.4, 0.1, 0.6)
    much_later = np.where(t_s < 6.5, 0.1, 0.6)
    assert shared(step, later, t_s, 0.2) == pytest.approx(1.0)
    assert shared(step, much_later, t_s, 0.2) < 0.75


@given(st.lists(st.floats(0.001, 5), min_size=2, max_size=25), st.lists(st.floats(0.001, 5), min_size=25, max_size=25))
@settings(max_examples=60, deadline=None)
def test_it_is_symmetrical_and_between_0_and_1(one: list[float], other: list[float]) -> None:
    a, b = np.array(one), np.array(other[: len(one)])
    t_s = np.arange(len(a)) * 0.2
    there, back = shared(a, b, t_s, 0.2), shared(b, a, t_s, 0.2)
    assert 0 < there <= 1
    # Two ways may cost the same and share differently; with the cost itself there is nothing to choose.
    assert shared(a, a, t_s, 0.2) == 1.0
    assert there == pytest.approx(back, abs=0.2)


@pytest.mark.parametrize("rate", [5, 50, 500])
def test_a_good_board_is_more_like_the_others_than_any_that_fails(rate: float) -> None:
    band = Band.of([power_ups.trace(power_ups.good(k), k, rate) for k in range(3)])
    alike = of(power_ups.good(70), band, rate)
    assert alike > 0.85
    failing = [of(power_ups.stopped(70, at_s, 0.06), band, rate) for at_s in (0.5, 2.0, 5.0)]
    # The sooner it stops, the less it has in common.
    assert sorted(failing) == failing
    assert failing[-1] < alike - 0.2


def test_the_same_shape_at_half_the_current_is_not_alike() -> None:
    band = Band.of([power_ups.trace(power_ups.good(1), 1)])
    assert of(power_ups.good(2, 0.5), band) == pytest.approx(0.5, abs=0.07)
