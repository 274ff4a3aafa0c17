"""Intervals of sums of rectangular and normal parts, against closed forms and drawn numbers."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from benchd.procedures.coverage import degrees, half_width, step_limit


@pytest.mark.parametrize(
    ("limits", "sigmas", "expected"),
    [
        ([], [1.0], 1.959964),  # normal: any table
        ([], [3.0, 4.0], 5 * 1.959964),  # root sum of squares, JCGM 100 §5.1.2
        ([2.0], [], 1.9),  # one rectangle: 0.95 a
        ([1.0, 1.0], [], 2 * (1 - math.sqrt(0.05))),  # two alike, a triangle: JCGM 101 §6.4.5
        ([0.006], [0.0], 0.0057),
    ],
)
def test_closed_forms(limits: list[float], sigmas: list[float], expected: float) -> None:
    assert half_width(limits, sigmas) == pytest.approx(expected, rel=2e-4)


def test_a_trapezium_has_its_textbook_quantile() -> None:
    """scipy.stats.trapezoid: the sum of rectangles ± 3 and ± 1 has its corners at ± 4 and ± 2."""
    table = stats.trapezoid(0.25, 0.75, loc=-4, scale=8)
    assert half_width([3.0, 1.0]) == pytest.approx(table.ppf(0.975), rel=2e-4)


@pytest.mark.parametrize("limit", [0.3, 0.1, 1e-3, 1e-6, 1e-9])
@pytest.mark.parametrize("count", [1, 2, 3, 4, 6])
def test_limits_that_drown_in_noise_change_nothing(limit: float, count: int) -> None:
    """Their sum is normal with the variance of all (central limit theorem; limits count a²/3, JCGM 100 §4.3.7)."""
    expected = 1.959964 * math.sqrt(1 + count * limit * limit / 3)
    assert half_width([limit] * count, [1.0]) == pytest.approx(expected, rel=5e-4)


@given(
    st.lists(st.floats(1e-6, 1.0), min_size=0, max_size=6),
    st.lists(st.floats(1e-6, 1.0), min_size=0, max_size=3),
)
def test_it_lies_between_what_must_be(limits: list[float], sigmas: list[float]) -> None:
    """Never beyond all limits and 6 sigma, nor far from the normal's; the order of parts is no matter."""
    found = half_width(limits, sigmas)
    u = math.sqrt(sum(a * a / 3 for a in limits) + sum(s * s for s in sigmas))
    assert 1.6 * u <= found <= 2.01 * u  # 0 of nothing
    assert found == pytest.approx(half_width(limits[::-1], sigmas[::-1]), rel=1e-9)


@pytest.mark.parametrize(
    ("limits", "sigmas"),
    [([1.0], [0.1]), ([1.0], [1.0]), ([1.0, 0.3], [0.05]), ([1.0, 0.9, 0.5], [0.2]), ([1.0, 0.2, 0.1, 0.08, 0.02], [])],
)
def test_of_drawn_numbers_it_holds_95_of_a_hundred(limits: list[float], sigmas: list[float]) -> None:
    rng = np.random.default_rng(11)
    drawn = sum(rng.uniform(-a, a, 400_000) for a in limits) + sum(rng.normal(0, s, 400_000) for s in sigmas)
    held = float(np.mean(np.abs(drawn) <= half_width(limits, sigmas)))
    assert held == pytest.approx(0.95, abs=0.0015)


@pytest.mark.parametrize("wrong", [-1.0, math.nan, math.inf])
def test_what_is_no_part_is_refused(wrong: float) -> None:
    with pytest.raises(ValueError, match="0 or more"):
        half_width([wrong])
    with pytest.raises(ValueError, match="0 or more"):
        half_width([], [wrong])


@given(st.floats(0, 2), st.floats(0, 2), st.sampled_from([0, 10, 1000]))
def test_rounding_leaves_half_a_step_at_most_and_less_with_more_noise(one: float, other: float, readings: int) -> None:
    low, high = sorted((one, other))
    assert 0.5 >= step_limit(1.0, low, readings) >= step_limit(1.0, high, readings) >= 0
    assert step_limit(1.0, 0.0, readings) == 0.5
    assert step_limit(0.0, low, readings) == 0
    assert step_limit(1.0, 1.0, readings) < 1e-6  # Widrow and Kollár: noise of a step averages it away


def test_scatter_that_rounding_makes_has_no_tails() -> None:
    assert degrees(1e-3, 5e-4, 20) == math.inf
    assert degrees(1e-3, 2e-3, 20) == 19
    assert degrees(1e-3, 5e-4, 3) == 2
