"""Traces laid over each other at the button, and warped in time."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.traces.align import aligned, curve_of, grid, warp, warped_distance
from benchd.traces.samples import Samples
from benchd.traces.trace import Conditions, Mark, Trace
from tests.traces import power_ups

# dtaidistance, tslearn and aeon agree on these; the first is 1.414214 and 2.828427 without warping.
LEFT, RIGHT = np.array([0.0, 0, 1, 2, 1, 0, 1, 0, 0]), np.array([0.0, 1, 2, 0, 0, 0, 0, 0, 0])


def test_warping_gives_what_libraries_give() -> None:
    assert warped_distance(LEFT, RIGHT) == pytest.approx(1.414214, abs=1e-6)
    assert float(np.linalg.norm(LEFT - RIGHT)) == pytest.approx(2.828427, abs=1e-6)
    step, later = np.array([0.0, 0, 1, 1, 0, 0]), np.array([0.0, 1, 1, 0, 0, 0])
    assert warped_distance(step, later) == 0.0
    assert warped_distance(step, later, 0) == pytest.approx(1.414214, abs=1e-6)
    assert warped_distance(step, later, 1) == 0.0
    assert warped_distance(np.array([1.0, 3, 4, 9]), np.array([1.0, 3, 7, 8, 9])) ** 2 == pytest.approx(6.0)


def test_warping_of_random_sequences_gives_what_dtaidistance_gives() -> None:
    """Its pruning is left off: with it, version 2.5.1 loses some ways. Its window counts one more than a reach."""
    dtw = pytest.importorskip("dtaidistance.dtw")
    rng = np.random.default_rng(11)
    for _ in range(150):
        a, b = rng.normal(size=rng.integers(1, 40)), rng.normal(size=rng.integers(1, 40))
        reach = int(rng.integers(0, 12))
        free = dtw.distance(a, b, use_pruning=False)
        bound = dtw.distance(a, b, window=reach + 1, use_pruning=False)
        assert warped_distance(a, b) == pytest.approx(free, abs=1e-9)
        assert warped_distance(a, b, reach) == pytest.approx(bound, abs=1e-9)


numbers = st.floats(-10, 10, allow_nan=False)


@given(st.lists(numbers, min_size=1, max_size=12), st.lists(numbers, min_size=1, max_size=12))
@settings(max_examples=100, deadline=None)
def test_the_way_goes_from_corner_to_corner_and_costs_what_it_says(a: list[float], b: list[float]) -> None:
    cost = (np.array(a)[:, None] - np.array(b)[None, :]) ** 2
    total, way = warp(cost)
    assert way[0].tolist() == [0, 0]
    assert way[-1].tolist() == [len(a) - 1, len(b) - 1]
    steps = {tuple(s) for s in np.diff(way, axis=0).tolist()}
    assert steps <= {(0, 1), (1, 0), (1, 1)}
    assert total == pytest.approx(float(cost[way[:, 0], way[:, 1]].sum()), abs=1e-9)


def test_no_way_through_is_said() -> None:
    cost = np.zeros((3, 3))
    cost[1] = np.inf
    with pytest.raises(ValueError, match="no way through"):
        warp(cost)


def test_means_are_those_of_straight_lines_between_readings() -> None:
    curve = curve_of(power_ups.trace(power_ups.good(1), 1, 200))
    assert curve is not None
    edges = grid(-0.5, 5.0, 0.05)
    means = curve.means(edges)
    # The charge over all bins is the charge over the whole.
    whole = curve.mean_over(float(edges[0]), float(edges[-1])) * (edges[-1] - edges[0])
    assert float((means * np.diff(edges)).sum()) == pytest.approx(whole, rel=1e-9)
    assert np.isnan(curve.means(np.array([-99.0, -98.0, curve.to_s + 1, curve.to_s + 2]))[[0, 2]]).all()


def test_a_gap_has_no_means() -> None:
    trace = power_ups.trace(power_ups.good(1), 1, 50)
    s = trace.samples
    keep = (s.t_ns < 5.0e9) | (s.t_ns > 6.0e9)
    holed = Trace(
        Samples(s.t_ns[keep], s.voltage_v[keep], s.current_a[keep], s.mode[keep], s.flags[keep]),
        0, trace.conditions, trace.marks,
    )  # fmt: skip
    curve = curve_of(holed)
    assert curve is not None
    known = np.isfinite(curve.means(grid(1.0, 5.0, 0.1)))
    middle = grid(1.0, 5.0, 0.1)[:-1] + curve.zero_s
    assert not known[(middle > 5.05) & (middle < 5.85)].any()
    assert known[(middle < 4.8) | (middle > 6.1)].all()


@pytest.mark.parametrize(("rate", "other"), [(5, 50), (20, 1000), (200, 5), (1000, 1000)])
def test_the_same_power_up_at_two_rates_lies_on_itself(rate: float, other: float) -> None:
    board = power_ups.good(3)
    one = curve_of(power_ups.trace(board, 1, rate, tell_button=False))
    two = curve_of(power_ups.trace(board, 2, other, tell_button=False))
    assert one is not None
    assert two is not None
    moved = aligned(one, two)
    # Where the button really was, on the trace's own clock.
    slower = 1 / min(rate, other)
    assert moved.zero_s - two.zero_s == pytest.approx(0.0, abs=max(0.03, slower))


@pytest.mark.parametrize("late_s", [-0.3, 0.2, 0.6])
def test_a_mark_by_a_slow_hand_is_put_right(late_s: float) -> None:
    to = curve_of(power_ups.trace(power_ups.good(3), 1))
    marked = power_ups.trace(power_ups.good(4), 2, tell_button=False)
    mark = Mark("button", round((power_ups.WINDOW_S + late_s) * 1e9), "hand")
    one = curve_of(Trace(marked.samples, 0, marked.conditions, (mark,)))
    assert to is not None
    assert one is not None
    assert one.zero_s == pytest.approx(power_ups.WINDOW_S + late_s)
    assert aligned(one, to).zero_s == pytest.approx(power_ups.WINDOW_S, abs=0.05)


def test_without_a_button_there_is_nothing_to_align() -> None:
    nothing = power_ups.flat_trace(np.zeros(100))
    assert curve_of(Trace(nothing.samples, 0, nothing.conditions)) is None
    assert curve_of(Trace(Samples.empty(), 0, Conditions())) is None


@given(
    st.lists(st.floats(allow_nan=True, allow_infinity=True), max_size=40),
    st.lists(st.integers(-5, 60), min_size=40, max_size=40),
)
@settings(max_examples=80, deadline=None)
def test_any_readings_make_a_curve_that_runs_forwards_or_none(amps: list[float], at: list[int]) -> None:
    n = len(amps)
    t_ns = np.array(at[:n], np.int64) * 100_000_000
    zeros = np.zeros(n, np.uint8)
    trace = Trace(Samples(t_ns, np.full(n, 4.0), np.array(amps, float), zeros, zeros), 0, Conditions(4.0, 2.0),
                  (Mark("button", 0, "hand"),))  # fmt: skip
    curve = curve_of(trace)
    if curve is not None:
        assert (np.diff(curve.t_s) > 0).all()
        assert np.isfinite(curve.charge_c).all()
