"""Formulas against reference libraries and published rules."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.integrate
import scipy.signal
import scipy.stats
from hypothesis import example, given, settings
from hypothesis import strategies as st

from benchd.traces.card_words import within
from benchd.traces.features import extract
from benchd.traces.line import bin_means, noise_sigma, repeat_count, seen_step
from benchd.traces.noise import NoiseFloor
from benchd.traces.repeats import autocorrelation, find_repeats, first_high_peak, rises
from benchd.traces.samples import Samples
from benchd.traces.steps import change_points
from benchd.traces.trace import Conditions, Trace
from benchd.traces.uncertainty import Known, expanded, from_limit, from_step


def trace_of(t_s: list[float], v: list[float], i: list[float], **conditions: float) -> Trace:
    t = np.rint(np.array(t_s) * 1e9).astype(np.int64)
    zero = np.zeros(len(t), np.uint8)
    return Trace(Samples(t, np.array(v), np.array(i), zero, zero), 0, Conditions(**conditions))


def test_charge_and_energy_of_uneven_readings() -> None:
    """Worked by hand and by scipy.integrate.trapezoid: 0.6975 C, 2.74725 J."""
    t = [0, 0.1, 0.25, 0.5, 1.0, 1.05]
    i = [0, 0.2, 0.8, 0.6, 1.0, 0.5]
    v = [4.0, 4.0, 3.95, 3.97, 3.9, 3.96]
    f = extract(trace_of(t, v, i))
    assert f.charge_c == pytest.approx(0.6975, abs=1e-12)
    assert f.energy_j == pytest.approx(2.74725, abs=1e-12)
    assert f.charge_c == pytest.approx(float(scipy.integrate.trapezoid(i, t)), abs=1e-12)


@settings(max_examples=50, deadline=None)
@example([(10**6, 0.0), (10**6, 1.0), (10**6, 1.0), (999_000_001, 1.0), (10**9, 0.0), (10**6, 0.0)])  # taken off
@given(st.lists(st.tuples(st.integers(1_000_000, 10**9), st.floats(-1, 5)), min_size=2, max_size=60))
def test_charge_is_scipys(rows: list[tuple[int, float]]) -> None:
    t = (np.cumsum([r[0] for r in rows]) / 1e9).tolist()
    i = [r[1] for r in rows]
    f = extract(trace_of(t, [4.0] * len(t), i))
    assert f.charge_c == pytest.approx(float(scipy.integrate.trapezoid(i, t)), abs=1e-9)
    assert f.energy_j == pytest.approx(4 * f.charge_c, abs=1e-9)


def test_noise_of_one_quiet_piece_is_the_scaled_mad() -> None:
    x = np.array([0.060, 0.061, 0.059, 0.060, 0.062, 0.058, 0.060, 0.061, 0.500])
    mad = scipy.stats.median_abs_deviation(x, scale="normal")
    assert mad == pytest.approx(1.4826e-3, rel=1e-4)
    # A piece so small is corrected for its bias; its outlier would make the standard deviation 147 mA.
    assert 0.3 * mad <= noise_sigma(x) <= 1.7 * mad


@pytest.mark.parametrize("n", [40, 200, 800, 4000, 20000])
def test_noise_of_white_noise_is_its_standard_deviation(n: int) -> None:
    rng = np.random.default_rng(5)
    assert np.mean([noise_sigma(rng.normal(0, 1, n)) for _ in range(60)]) == pytest.approx(1.0, abs=0.1)


@pytest.mark.parametrize("sigma", [0.0003, 0.001, 0.005])
def test_noise_under_steps_and_drift(sigma: float) -> None:
    rng = np.random.default_rng(1)
    level = np.concatenate([np.zeros(400), np.linspace(0.1, 0.5, 800), np.full(800, 0.2)])
    assert noise_sigma(level + rng.normal(0, sigma, 2000)) == pytest.approx(sigma, rel=0.3)


def test_noise_learnt_online_nears_the_mad() -> None:
    x = np.random.default_rng(2).normal(0, 0.003, 3000)
    floor = NoiseFloor(0.0001)
    level = None
    for k, value in enumerate(x):
        if not floor.ready:
            level = floor.warm_up(k * 10_000_000, value)
        else:
            floor.add(value - (level or 0.0))
    assert floor.sigma_a == pytest.approx(float(scipy.stats.median_abs_deviation(x, scale="normal")), rel=0.35)


@pytest.mark.parametrize("step", [0.01, 0.005, 0.001, 0.0002, 0.0001])
def test_the_step_of_the_reading_is_seen(step: float) -> None:
    x = np.rint(np.random.default_rng(3).uniform(0, 1, 500) / step) * step
    assert seen_step(x) == pytest.approx(step)
    floor = NoiseFloor()
    for value in x:
        floor.see(float(value))
    assert floor.resolution_a == pytest.approx(step)


def test_no_step_is_seen_where_there_is_none() -> None:
    assert seen_step(np.random.default_rng(3).uniform(0, 1, 500)) == 0.0


def test_repeated_readings_are_counted() -> None:
    x = np.repeat(np.random.default_rng(4).normal(0, 1, 100), 5)
    assert repeat_count(np.full(500, 4.0), x) == 5


def test_autocorrelation_of_a_loop() -> None:
    """20 values/s, 0.30 A for 1.0 s and 0.05 A for 1.5 s: peaks at lags 50, 100, 150, 200, heights 1 - lag/n
    (Box, Jenkins & Reinsel, ch. 2), and scipy.signal.correlate agrees."""
    x = np.tile(np.concatenate([np.full(20, 0.30), np.full(30, 0.05)]), 12)
    r = autocorrelation(x)
    d = x - x.mean()
    reference = scipy.signal.correlate(d, d, "full")[len(d) - 1 :] / float(d @ d)
    assert r == pytest.approx(reference, abs=1e-9)
    assert r[[50, 100, 150, 200]] == pytest.approx([0.9167, 0.8333, 0.75, 0.6667], abs=5e-5)
    noisy = autocorrelation(x + np.random.default_rng(7).normal(0, 0.02, 600))
    assert noisy[[50, 100, 150, 200]] == pytest.approx([0.896, 0.813, 0.732, 0.649], abs=1e-3)
    assert first_high_peak(noisy, 14)[0] == 50
    found = find_repeats(x, 0.05)
    assert found is not None
    assert found.period_s == pytest.approx(2.5, abs=1e-9)
    assert found.count == 12


def test_chance_is_no_loop() -> None:
    """White noise of 600 values: its largest of 290 lags is near 0.14, above Bartlett's 0.08 and below our 0.3."""
    x = np.random.default_rng(7).normal(0.3, 0.02, 600)
    r = autocorrelation(x)[10:300]
    assert 1.96 / math.sqrt(600) < r.max() < 0.3
    assert first_high_peak(autocorrelation(x), 10) is None
    assert find_repeats(x, 0.05) is None


@settings(max_examples=40, deadline=None)
@given(st.floats(1.0, 20.0), st.floats(0.3, 0.7), st.integers(4, 8), st.sampled_from([0.0, 0.02, 0.08]))
def test_the_period_is_found_within_its_uncertainty(period: float, share: float, tries: int, low: float) -> None:
    t = np.arange(int(period * tries / 0.05)) * 0.05
    x = np.where((t % period) < share * period, 0.3, low)
    found = find_repeats(x, 0.05)
    assert found is not None
    assert abs(found.period_s - period) <= found.uncertainty_s + 0.05
    assert found.count == tries


def test_rises_need_a_fall_in_between() -> None:
    assert rises(np.array([0.0, 1, 0.5, 1, 0.2, 0.9, 0.9, 0.1]), 0.0, 1.0) == [1, 5]


def test_change_points_are_the_exact_optimum() -> None:
    """Exact optimum (dynamic programming of a reference library agrees): [100, 250, 370, 450, 600], cost 0.0566221."""
    levels, counts = [0, 0.06, 0.35, 0.80, 0.45], [100, 150, 120, 80, 150]
    x = np.repeat(levels, counts) + np.random.default_rng(42).normal(0, 0.01, 600)
    ends = change_points(x, 2 * 0.01**2 * math.log(600), min_size=5)
    assert ends == [100, 250, 370, 450, 600]
    cost = sum(float(((p - p.mean()) ** 2).sum()) for p in np.split(x, ends[:-1]))
    assert cost == pytest.approx(0.0566221, rel=1e-5)
    assert change_points(np.repeat([0.0, 1, 3], 5), 0.5) == [5, 10, 15]
    assert change_points(np.concatenate([np.zeros(103), np.ones(97)]), 0.1) == [103, 200]


@settings(max_examples=40, deadline=None)
@given(st.lists(st.floats(-2, 2), min_size=1, max_size=9), st.floats(0.01, 2))
def test_change_points_against_all_segmentations(values: list[float], penalty: float) -> None:
    """Brute force over every way to cut up to nine values."""
    x = np.array(values)

    def cost(ends: list[int]) -> float:
        parts = np.split(x, ends[:-1])
        return sum(float(((p - p.mean()) ** 2).sum()) for p in parts) + penalty * (len(parts) - 1)

    n = len(x)
    best = min(cost([k + 1 for k in range(n - 1) if mask >> k & 1] + [n]) for mask in range(1 << (n - 1)))
    assert cost(change_points(x, penalty)) == pytest.approx(best, abs=1e-9)


def test_uncertainty_after_the_guide() -> None:
    """JCGM 100:2008 §4.3.7, §5.1.2, §6.3, worked examples."""
    # 1.000 A at 0.1 % + 5 mA.
    assert from_limit(0.006) == pytest.approx(3.464e-3, abs=1e-6)
    assert expanded(1.0, 0.001, 0.005, 0.0) == pytest.approx(6.93e-3, abs=5e-6)
    # 3.998 V at 0.05 % + 3 counts of 1 mV.
    assert expanded(3.998, 0.0005, 0.003, 0.0) == pytest.approx(5.77e-3, abs=5e-6)
    # 60 mA on two supplies.
    assert expanded(0.060, 0.0005, 0.002, 0.0) == pytest.approx(2.34e-3, abs=5e-6)
    assert expanded(0.060, 0.002, 0.010, 0.0) == pytest.approx(11.7e-3, abs=5e-5)
    # Scatter of 0.8 mA over ten readings and a step of 1 mA with the first.
    assert from_step(0.001) == pytest.approx(0.2887e-3, abs=1e-7)
    assert expanded(1.0, 0.001, 0.005, 0.001, 0.0008, 10) == pytest.approx(6.97e-3, abs=5e-6)


def test_uncertainty_of_the_guides_own_voltmeter() -> None:
    """JCGM 100:2008 §4.3.7 example 2 and §5.1.5: 0.928 571 V with u = 12 µV from observations, on an instrument that is
    right within 14e-6 of the reading + 2e-6 of 1 V: a = 15 µV, u = 8.7 µV, together 15 µV (figures from memory)."""
    volts, fraction, offset = 0.928571, 14e-6, 2e-6
    assert from_limit(fraction * volts + offset) == pytest.approx(8.7e-6, abs=0.05e-6)
    known = Known(0.0, 0.0, fraction, offset)
    assert known.voltage_u(volts, 0.0, 12e-6) / 2 == pytest.approx(15e-6, abs=0.5e-6)
    assert known.voltage_stated
    assert not known.current_stated


def test_what_is_not_stated_counts_as_nothing_known() -> None:
    known = Known.of(Conditions(accuracy_fraction_a=0.0, accuracy_offset_a=None, accuracy_offset_v=0.003))
    assert (known.current_stated, known.voltage_stated) == (False, True)
    # Noise of 0.8 mA over 16 readings alone: 2 x 0.2 mA.
    assert known.current_u(1.0, 0.0, 0.0008, 16) == pytest.approx(0.4e-3)


@pytest.mark.parametrize(
    ("value", "u", "text"),
    [
        (0.0612, 0.0011, "61.2 mA ± 1.1 mA"),
        (0.06, 0.0117, "60 mA ± 12 mA"),
        (1.23456, 0.0123, "1.235 A ± 0.012 A"),
        (0.0, 0.0000123, "0.000 mA ± 0.012 mA"),
        (0.0612, 0.0, "61.2 mA"),
        (0.0612, float("nan"), "61.2 mA"),
    ],
)
def test_a_value_is_given_to_two_digits_of_its_uncertainty(value: float, u: float, text: str) -> None:
    """JCGM 100:2008 §7.2.6."""
    assert within(value, u) == text


@settings(max_examples=50, deadline=None)
@given(st.lists(st.tuples(st.floats(0.001, 0.4), st.floats(0, 3)), min_size=1, max_size=40), st.floats(0.02, 1))
def test_bins_keep_the_readings_between_their_extremes(rows: list[tuple[float, float]], width: float) -> None:
    t, x = np.cumsum([r[0] for r in rows]), np.array([r[1] for r in rows])
    means, _ = bin_means(t, x, width)
    assert len(means) == int((t[-1] - t[0]) / width) + 1
    assert x.min() - 1e-12 <= means.min()
    assert means.max() <= x.max() + 1e-12
