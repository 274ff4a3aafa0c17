"""The band of references: means, spread, uncertainty and count, over rates, gaps and voltages."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchd.traces.align import curve_of
from benchd.traces.band import USUAL_A, USUAL_SHARE, Band, BandError, moving_mean, spread_of
from benchd.traces.samples import Samples
from benchd.traces.trace import Conditions, Mark, Trace
from tests.traces import power_ups


def band(count: int, rate: float = 50.0, **meter: float | bool) -> Band:
    return Band.of([power_ups.trace(power_ups.good(k), k, rate, **meter) for k in range(count)])


def test_one_reference_makes_a_band_with_the_usual_spread() -> None:
    one = band(1)
    settled = (one.t_s > 9.0) & (one.t_s < 14.0)
    assert (one.count[settled] == 1).all()
    level = float(one.mean_a[settled].mean())
    assert level == pytest.approx(0.24, rel=0.05)
    # Not less than what good boards of a kind usually differ by, and not much more where the current is even.
    usual = math.hypot(USUAL_SHARE * level, USUAL_A)
    spread = one.level.spread_a[settled]
    assert (spread >= 0.95 * USUAL_SHARE * one.mean_a[settled]).all()
    assert float(np.median(spread)) < 2.5 * usual
    assert (one.low_a < one.mean_a)[np.isfinite(one.mean_a)].all()
    assert (one.high_a > one.mean_a)[np.isfinite(one.mean_a)].all()


def test_more_references_know_the_mean_better() -> None:
    one, five = band(1), band(5)
    at = 10.0

    def u(of: Band) -> float:
        return float(of.level.u_a[np.searchsorted(of.t_s, at)])

    assert u(five) < 0.6 * u(one)
    assert int(five.count[np.searchsorted(five.t_s, at)]) == 5


def test_the_mean_is_that_of_the_references() -> None:
    traces = [power_ups.trace(power_ups.good(k), k) for k in range(3)]
    together = Band.of(traces)
    alone = [c.mean_over(9.0, 12.0) for c in together.curves]
    part = (together.t_s > 9.0) & (together.t_s < 12.0)
    assert float(together.mean_a[part].mean()) == pytest.approx(float(np.mean(alone)), abs=1e-3)


@pytest.mark.parametrize("rates", [(5, 1000), (20, 50, 200), (5, 5)])
def test_references_of_different_rates_lie_on_each_other(rates: tuple[float, ...]) -> None:
    traces = [power_ups.trace(power_ups.good(7), k, rate, tell_button=False) for k, rate in enumerate(rates)]
    together = Band.of(traces)
    assert together.width_s == pytest.approx(max(0.05, 1 / min(rates)), rel=0.05)
    rise = (together.t_s > -0.5) & (together.t_s < 2.0) & (together.count == len(rates))
    apart = np.ptp(together.rows_a[:, rise], axis=0)
    # The same board, and the same bursts: they differ where an edge lies within a slow reading.
    assert float(np.median(apart)) < 0.04


def test_a_bin_that_no_reference_reaches_is_not_known() -> None:
    trace = power_ups.trace(power_ups.good(1), 1)
    s = trace.samples
    keep = (s.t_ns < 5.0e9) | (s.t_ns > 7.0e9)
    holed = Samples(s.t_ns[keep], s.voltage_v[keep], s.current_a[keep], s.mode[keep], s.flags[keep])
    one = Band.of([Trace(holed, 0, trace.conditions, trace.marks)])
    hole = np.abs(one.t_s - 3.5) < 0.5
    assert (one.count[hole] == 0).all()
    assert np.isnan(one.mean_a[hole]).all()
    assert np.isnan(one.level.u_a[hole]).all()


def test_accuracy_is_in_the_uncertainty_and_does_not_average_out() -> None:
    def of(count: int, offset_a: float) -> Band:
        traces = [power_ups.trace(power_ups.good(k), k) for k in range(count)]
        known = Conditions(4.0, 2.0, 0.001, 0.0, offset_a)
        return Band.of([Trace(t.samples, 0, known, t.marks) for t in traces])

    poor, good = of(6, 0.060), of(6, 0.0)
    at = int(np.searchsorted(good.t_s, 10.0))
    # 60 mA within limits: 60/sqrt(3) mA standard (JCGM 100 §4.3.7).
    added = math.sqrt(float(poor.level.u_a[at]) ** 2 - float(good.level.u_a[at]) ** 2)
    assert added == pytest.approx(0.060 / math.sqrt(3), rel=1e-3)


def test_what_makes_no_band_is_refused() -> None:
    no_button = power_ups.flat_trace(np.zeros(100))
    with pytest.raises(BandError, match="none was given"):
        Band.of([])
    with pytest.raises(BandError, match="reference 2 of 2 shows no button"):
        Band.of([power_ups.trace(power_ups.good(1), 1), Trace(no_button.samples, 0, no_button.conditions)])
    other = power_ups.trace(power_ups.good(1), 1, set_voltage_v=12.0)
    with pytest.raises(BandError, match="reference 2 of 2: it was powered with 12 V and the reference with 4 V"):
        Band.of([power_ups.trace(power_ups.good(1), 1), other])


def test_the_spread_of_few_leans_on_the_usual_and_that_of_many_on_their_own() -> None:
    assert spread_of(np.array([0.5]), 0.05) == pytest.approx(0.05)
    # (2·0.05² + 1·s²)/3 with s² = 0.02 of two values 0.2 apart.
    assert spread_of(np.array([0.4, 0.6]), 0.05) == pytest.approx(math.sqrt((2 * 0.05**2 + 0.02) / 3))
    many = np.random.default_rng(2).normal(0.5, 0.02, 400)
    assert spread_of(many, 0.2) == pytest.approx(0.02, rel=0.25)


def test_moving_means_are_means_and_stay_out_of_gaps() -> None:
    x = np.array([1.0, 2.0, 3.0, np.nan, 5.0, 6.0])
    assert moving_mean(x, 2).tolist()[:2] == [1.5, 2.5]
    assert np.isnan(moving_mean(x, 2)).tolist() == [False, False, True, True, False]


def test_wider_bins_hold_the_same_charge() -> None:
    fine = band(2)
    wide = fine.at(0.4)
    assert wide.width_s == 0.4
    # From an edge that both have to another.
    part, same = (fine.t_s > 0.8) & (fine.t_s < 8.8), (wide.t_s > 0.8) & (wide.t_s < 8.8)
    assert float(wide.mean_a[same].mean()) == pytest.approx(float(fine.mean_a[part].mean()), rel=0.003)


def test_a_removed_board_ends_its_curve() -> None:
    trace = power_ups.trace(power_ups.good(1), 1)
    gone = Mark("removed", 6_000_000_000)
    cut = curve_of(Trace(trace.samples, 0, trace.conditions, (*trace.marks, gone)))
    assert cut is not None
    assert cut.to_s == pytest.approx(6.0 - power_ups.WINDOW_S, abs=0.06)
