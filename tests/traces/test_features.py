"""Features against what is known of the board, the source and the meter, and against reference libraries."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
import ruptures
import scipy.integrate
import scipy.signal
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.traces.features import Features, extract
from benchd.traces.repeats import find_repeats
from benchd.traces.samples import Samples
from benchd.traces.steps import change_points
from benchd.traces.trace import Conditions, Mark, Trace
from tests.traces.boards import Board, Curve, Meter, boot, busy, clean_boot, flat, read

RNG = np.random.default_rng
TOLD = Conditions(4.0, 2.0, 0.001)


def trace_of(t_s: Curve, volts: Curve, amps: Curve, told: Conditions = TOLD, *marks: Mark) -> Trace:
    zero = np.zeros(len(t_s), np.uint8)
    samples = Samples(np.rint(np.asarray(t_s) * 1e9).astype(np.int64), np.asarray(volts), np.asarray(amps), zero, zero)
    return Trace(samples, 0, told, marks)


def hand(s: float) -> Mark:
    return Mark("button", round(s * 1e9), "hand")


# ---- phases ---------------------------------------------------------------------------------------------------------


def test_the_phases_of_a_start() -> None:
    """10 mA for 2 s, 0.6 A for 4 s, 0.2 A for 6 s at 4 V, worked by hand."""
    demand = np.concatenate([flat(2, 0.010), busy(RNG(1), 4, 0.6, 0.0), flat(6, 0.2)])
    f = extract(read(Board(demand, button_s=2.0), Meter(rate=200, noise_a=0.0, jitter=0.0)))
    found = {p.name: p for p in f.phases}
    assert list(found) == ["leak", "boot", "settled"]
    for name, amps, seconds in (("leak", 0.010, 2.0), ("boot", 0.6, 4.0), ("settled", 0.2, 6.0)):
        p = found[name]
        assert p.length_s == pytest.approx(seconds, abs=0.06)
        assert p.mean_a == pytest.approx(amps, abs=0.01)
        assert p.charge_c == pytest.approx(amps * p.length_s, rel=0.02)
        assert p.energy_j == pytest.approx(4.0 * p.charge_c, rel=1e-3)


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10_000), st.sampled_from([5.0, 50.0, 400.0]))
def test_the_phases_add_up_to_the_whole(seed: int, rate: float) -> None:
    f = extract(read(clean_boot(RNG(seed)), Meter(rate=rate, jitter=0.5)))
    assert sum(p.charge_c for p in f.phases) == pytest.approx(f.charge_c, rel=1e-9)
    assert sum(p.energy_j for p in f.phases) == pytest.approx(f.energy_j, rel=1e-9)
    assert f.charge_c == pytest.approx(float(scipy.integrate.trapezoid(f.line.current_a, f.line.t_s)), rel=1e-9)


def test_effective_current_of_uneven_readings() -> None:
    """√(∫ i² dt / T) by the trapezoidal rule is 0.723253 A, worked with scipy; the time mean is 0.664286 A, while the
    plain mean of the readings is 0.516667 A."""
    t = [0, 0.1, 0.25, 0.5, 1.0, 1.05]
    i = [0, 0.2, 0.8, 0.6, 1.0, 0.5]
    f = extract(trace_of(np.array(t), np.full(6, 4.0), np.array(i), TOLD, hand(-1.0)))
    (phase,) = f.phases
    assert phase.rms_a == pytest.approx(0.723253, abs=1e-6)
    assert phase.rms_a == pytest.approx(math.sqrt(scipy.integrate.trapezoid(np.square(i), t) / 1.05), abs=1e-12)
    assert phase.mean_a == pytest.approx(0.664286, abs=1e-6)


def test_effective_current_of_a_square_wave() -> None:
    """1 A / 0.1 A with a duty of 0.3: mean 0.370 A, √(dI₁² + (1-d)I₂²) = 0.554076 A (textbook)."""
    t = np.arange(0, 20, 0.001)
    i = np.where(t % 1.0 < 0.3, 1.0, 0.1)
    (phase,) = extract(trace_of(t, np.full(len(t), 4.0), i, TOLD, hand(-1.0))).phases
    assert phase.mean_a == pytest.approx(0.370, abs=1e-3)
    assert phase.rms_a == pytest.approx(0.554076, abs=1e-3)


def test_the_uncertainty_of_a_charge() -> None:
    """10 s at 0.5 A on 0.1 % + 5 mA: 2·10 s·(0.0055 A)/√3 = 0.06351 C; noise and step add next to nothing (JCGM 100
    §4.3.7, §5.2.2: the error of the accuracy is the same in each reading)."""
    t = np.arange(0, 10.001, 0.01)
    c = Conditions(4.0, 2.0, 0.0001, 0.001, 0.005)
    (phase,) = extract(trace_of(t, np.full(len(t), 4.0), np.full(len(t), 0.5), c, hand(-1.0))).phases
    assert phase.charge_c == pytest.approx(5.0, abs=1e-9)
    assert phase.charge_u_c == pytest.approx(0.06351, abs=1e-4)


# ---- plateaus, period -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", [42, 1, 2])
def test_the_ends_of_plateaus_are_those_of_a_reference_library(seed: int) -> None:
    """`ruptures` searches every fifth value only, unless told `jump=1`."""
    x = np.repeat([0, 0.06, 0.35, 0.80, 0.45], [100, 150, 120, 80, 150]) + RNG(seed).normal(0, 0.01, 600)
    penalty = 2 * 0.01**2 * math.log(600)
    reference = ruptures.Pelt(model="l2", jump=1, min_size=5).fit(x).predict(pen=penalty)
    assert change_points(x, penalty, min_size=5) == reference


def test_plateaus_and_the_steps_between_them() -> None:
    demand = np.concatenate([flat(2, 0.0), flat(2, 0.06), flat(2, 0.35), flat(2, 0.80), flat(2, 0.45)])
    f = extract(read(Board(demand), Meter(rate=100, noise_a=0.001)))
    assert [p.mean_a for p in f.plateaus] == pytest.approx([0, 0.06, 0.35, 0.80, 0.45], abs=0.003)
    assert all(p.flat for p in f.plateaus)
    assert [s.at_s for s in f.steps] == pytest.approx([2, 4, 6, 8], abs=0.1)
    for step, change in zip(f.steps, [0.06, 0.29, 0.45, -0.35], strict=True):
        assert abs(step.change_a - change) <= step.u_a + 1e-4


def test_the_period_is_the_one_of_a_reference_library() -> None:
    x = np.tile(np.concatenate([np.full(20, 0.30), np.full(30, 0.05)]), 12) + RNG(7).normal(0, 0.02, 600)
    d = x - x.mean()
    r = scipy.signal.correlate(d, d, "full")[len(d) - 1 :] / float(d @ d)
    peaks, _ = scipy.signal.find_peaks(r[:300], height=0.3, distance=14)
    found = find_repeats(x, 0.05)
    assert found is not None
    assert found.period_s == pytest.approx(peaks[0] * 0.05, abs=0.05)


# ---- source ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("ohm", [0.05, 0.35, 1.5])
def test_the_resistance_of_the_leads_is_the_slope_within_its_uncertainty(ohm: float) -> None:
    inside = 0
    for seed in range(20):
        rng = RNG(seed)
        amps = np.concatenate([np.zeros(100), 0.4 + 0.2 * rng.standard_normal(900)]).clip(0)
        volts = np.rint((4.0 - ohm * amps + rng.normal(0, 0.002, 1000)) * 1e3) / 1e3
        source = extract(trace_of(np.arange(1000) * 0.02, volts, np.rint(amps * 1e3) / 1e3)).source
        assert source is not None
        assert source.ohm == pytest.approx(ohm, abs=0.01)
        inside += abs(source.ohm - ohm) <= source.u_ohm
    assert inside >= 17  # k = 2: 19 of 20 and a little luck


def test_without_a_change_of_current_no_resistance_is_seen() -> None:
    assert extract(read(Board(flat(10, 0.06)), Meter())).source is None


def test_a_limit_that_nothing_tells_of_starves_the_board_and_resistance_does_not() -> None:
    t = np.arange(0, 20, 0.02)
    amps = np.clip(0.5 + 0.4 * np.sin(2 * t), 0, 0.7)
    limited = np.where(0.5 + 0.4 * np.sin(2 * t) > 0.7, 3.2, 4.0)
    f = extract(trace_of(t, limited, amps, Conditions(4.0, None, 0.001)))
    assert f.starved_s == pytest.approx(float(np.mean(limited < 4)) * 20, rel=0.1)
    f = extract(trace_of(t, 4.0 - 0.8 * amps, amps, Conditions(4.0, None, 0.001)))
    assert f.starved_s == 0
    assert f.source is not None
    assert f.source.drop_v == pytest.approx(0.56, abs=0.01)


# ---- falls ----------------------------------------------------------------------------------------------------------


def falling(dips: bool) -> Features:
    t = np.arange(0, 12, 0.02)
    runs = ((t > 2) & (t < 5)) | ((t > 6.5) & (t < 9))
    amps = np.where(runs, 0.5 + 0.05 * np.sin(11 * t), 0.001)
    volts = np.full(len(t), 4.0)
    if dips:
        volts[(np.abs(t - 4.98) < 0.03) | (np.abs(t - 8.98) < 0.03)] = 3.6
    return extract(trace_of(t, volts, amps, TOLD, hand(2.0)))


def test_a_board_that_stops_with_the_voltage_down_stopped_for_want_of_it() -> None:
    f = falling(dips=True)
    assert f.rest is not None
    assert [x.starved for x in f.rest.falls] == [True, True]
    assert f.rest.starved_falls == 2


def test_a_board_that_stops_by_itself_is_not_starved() -> None:
    f = falling(dips=False)
    assert f.rest is not None
    assert [round(x.at_s) for x in f.rest.falls] == [5, 9]
    assert f.rest.starved_falls == 0


def test_dropouts_come_with_their_times() -> None:
    demand = np.concatenate([flat(2, 0.001), boot(RNG(2), 1.3)])
    for at in (5000, 7000, 9000):
        demand[at : at + 300] = 0.0
    f = extract(read(Board(demand, button_s=2.0), Meter(rate=100)))
    assert f.rest is not None
    assert [x.at_s for x in f.rest.lost] == pytest.approx([5, 7, 9], abs=0.03)
    assert [x.lasts_s for x in f.rest.lost] == pytest.approx([0.3] * 3, abs=0.03)


def test_work_that_comes_down_to_nothing_by_itself_has_no_dropouts() -> None:
    """Readings that scatter from 0 to 0.9 A: as many lie between nothing and running as at nothing."""
    t = np.arange(0, 20, 0.02)
    amps = np.where(t < 2, 0.001, np.abs(0.3 + 0.2 * RNG(1).standard_normal(len(t))))
    f = extract(trace_of(t, np.full(len(t), 4.0), amps, TOLD, hand(2.0)))
    assert f.rest is not None
    assert f.rest.dropouts == 0


# ---- texture and the stable end -------------------------------------------------------------------------------------


@pytest.mark.parametrize("texture", [0.0, 0.01])
def test_texture_is_what_is_left_without_noise(texture: float) -> None:
    rng = RNG(3)
    amps = np.concatenate([np.zeros(500), 0.3 + texture * rng.standard_normal(3000)]) + rng.normal(0, 0.002, 3500)
    f = extract(trace_of(np.arange(3500) * 0.005, np.full(3500, 4.0), amps, Conditions(4.0, 2.0, 0.0001)))
    assert f.rest is not None
    assert f.rest.tail_rough_a == pytest.approx(texture, abs=0.001)


def test_the_stable_end_does_not_begin_with_the_step_to_it() -> None:
    demand = np.concatenate([flat(2, 0.0), flat(1.37, 0.4), flat(6, 1.3)])
    f = extract(read(Board(demand, button_s=2.0), Meter(rate=500)))
    assert f.rest is not None
    assert f.rest.tail_a == pytest.approx(1.3, abs=0.001)
    assert f.rest.tail_texture_a < 0.002
    assert f.settled_u_a is not None


# ---- the board is taken off -----------------------------------------------------------------------------------------


def removed(stand_by_a: float, after_a: float, ran_s: float, after_s: float, *marks: Mark) -> Features:
    demand = np.concatenate([flat(2, stand_by_a), flat(ran_s, 0.3), flat(after_s, after_a)])
    trace = read(Board(demand, button_s=2.0), Meter(rate=100, noise_a=0.0003, resolution_a=0.0001))
    return extract(dataclasses.replace(trace, marks=(*trace.marks, *marks)))


def test_a_stand_by_current_that_is_gone_tells_that_the_board_is() -> None:
    f = removed(0.006, 0.0, ran_s=2.0, after_s=4.0)
    assert f.removed_s == pytest.approx(4.0, abs=0.03)
    assert f.rest is not None
    assert f.rest.tail_a == pytest.approx(0.3, abs=0.001)


def test_a_stand_by_current_that_is_back_tells_that_the_board_went_off() -> None:
    assert removed(0.006, 0.006, ran_s=5.0, after_s=1.0).removed_s is None


def test_without_a_stand_by_current_a_kick_is_no_removal() -> None:
    mark = Mark("removed", 2_600_000_000)
    assert removed(0.0, 0.0, 0.6, 5.0, mark).removed_s is None
    assert removed(0.0, 0.0, 6.0, 5.0).removed_s is None
    assert removed(0.0, 0.0, 6.0, 5.0, Mark("removed", 8_050_000_000)).removed_s == pytest.approx(8.0, abs=0.03)
    assert removed(0.0, 0.0, 6.0, 0.8).removed_s == pytest.approx(8.0, abs=0.03)


def test_a_removal_marked_by_hand_counts_as_it_stands() -> None:
    f = removed(0.006, 0.006, 6.0, 3.0, Mark("removed", 7_000_000_000, "hand"))
    assert f.removed_s == 7.0
    assert f.duration_s == pytest.approx(7.0, abs=0.03)


# ---- the button -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("late_s", [0.1, 0.35, 0.6])
def test_a_mark_that_came_late_belongs_to_the_rise_before_it(late_s: float) -> None:
    demand = np.concatenate([flat(3, 0.001), flat(0.5, 0.1), flat(6, 0.001)])
    f = extract(read(Board(demand, button_s=3 + late_s), Meter(rate=100)))
    assert f.start is not None
    assert f.start.button_s == 3 + late_s
    assert f.start.reacted_s == pytest.approx(3.0, abs=0.03)
    assert f.start.leak_a == pytest.approx(0.001, abs=0.001)
    assert f.rest is not None
    assert f.rest.sustained_a == pytest.approx(0.1, abs=0.005)


def test_a_mark_in_time_needs_no_rise_before_it() -> None:
    f = extract(read(Board(np.concatenate([flat(3, 0.06), flat(6, 0.3)]), button_s=3.0), Meter(rate=100)))
    assert f.start is not None
    assert f.start.reacted_s is None
    assert f.start.leak_a == pytest.approx(0.06, abs=0.001)


# ---- shorts ---------------------------------------------------------------------------------------------------------


def test_a_capacitor_that_charges_is_no_short() -> None:
    """Two readings at the limit at 0 V, then the voltage is up and nothing flows."""
    t = np.arange(0, 16, 0.001)
    charging = t < 0.002
    assert extract(trace_of(t, np.where(charging, 0.0, 4.0), np.where(charging, 2.0, 0.0))).short is None


def test_a_short_that_is_taken_off_the_leads_was_one() -> None:
    t = np.arange(0, 6, 0.01)
    shorted = (t > 1) & (t < 2)
    f = extract(trace_of(t, np.where(shorted, 0.2, 4.0), np.where(shorted, 2.0, 0.0)))
    assert f.short is not None
    assert f.short.to_end


def cut(volts: float, amps: float, why: str, before_v: float = 4.0) -> Features:
    """3 s at 0.5 A, one reading of this, then off."""
    t = np.arange(0, 3.5, 0.05)
    v = np.where(t < 2.45, 4.0, np.where(t < 2.99, before_v, np.where(t < 3.04, volts, 0.0)))
    i = np.where(t < 1, 0.0, np.where(t < 2.99, 0.5, np.where(t < 3.04, amps, 0.0)))
    return extract(trace_of(t, v, i, TOLD, Mark("tripped", 3_020_000_000, "guard", why)))


def test_half_a_collapse_right_before_a_trip_is_a_short() -> None:
    for why in ("", "short"):
        f = cut(1.7, 1.3, why)
        assert f.short is not None
        assert f.short.by_guard
        assert f.short.board_before


def test_the_guards_word_is_enough_for_a_short_that_no_reading_shows() -> None:
    assert cut(4.0, 0.5, "short").short is not None
    assert cut(4.0, 0.5, "").short is None
    assert cut(4.0, 0.5, "over-current").short is None


def test_a_limit_for_which_the_guard_switched_off_is_no_short() -> None:
    f = cut(3.4, 0.5, "short", before_v=3.4)
    assert f.short is None
    assert f.tripped_at_limit


def test_one_single_reading_is_enough_where_the_guard_switched_off_for_it() -> None:
    t = np.arange(0, 1, 0.1)
    at = np.isclose(t, 0.5)
    f = extract(trace_of(t, np.where(at, 0.1, 0.0), np.where(at, 2.0, 0.0), TOLD, Mark("tripped", 10**9 // 2, "guard")))
    assert f.short is not None
    assert f.short.readings == 1


def test_a_reversed_board_is_told_with_its_figures() -> None:
    t = np.arange(0, 2, 0.02)
    f = extract(trace_of(t, np.where(t > 0.5, -3.6, 4.0), np.where(t > 0.5, 2.0, 0.0)))
    assert f.reversed is not None
    assert f.reversed.at_s == pytest.approx(0.52)
    assert (f.reversed.voltage_v, f.reversed.current_a, f.reversed.share) == (-3.6, 2.0, 1.0)


def test_a_current_backwards_is_told() -> None:
    t = np.arange(0, 4, 0.02)
    assert extract(trace_of(t, np.full(200, 4.0), np.where(t > 1, -0.3, 0.0))).backwards_share == pytest.approx(0.745)
