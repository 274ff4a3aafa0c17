"""Let-through against closed forms, scipy, and the distribution that its uncertainty speaks of."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate

from benchd.traces.let_through import LetThrough, Moments, Steps, let_through
from benchd.traces.samples import Samples
from benchd.traces.uncertainty import Known

T0 = 1_700_000_000_000_000_000
NOTHING = Known(0.0, 0.0, 0.0, 0.0)
KNOWN = Known(0.001, 0.005, 0.0003, 0.005)


def samples(t_s: np.ndarray, volts: np.ndarray, amps: np.ndarray) -> Samples:
    n = len(t_s)
    t_ns = T0 + np.rint(np.asarray(t_s) * 1e9).astype(np.int64)
    return Samples(t_ns, np.asarray(volts, float), np.asarray(amps, float), np.ones(n, np.uint8), np.zeros(n, np.uint8))


def at(onset_s: float, sent_s: float, confirmed_s: float | None, good_s: float | None = None) -> Moments:
    def ns(t_s: float) -> int:
        return T0 + round(t_s * 1e9)

    return Moments(
        None if good_s is None else ns(good_s),
        ns(onset_s),
        ns(sent_s),
        None if confirmed_s is None else ns(confirmed_s),
    )


def values(found: LetThrough) -> list[float]:
    return [each.value for each in found]


def test_constant_current_into_a_capacitor() -> None:
    """t = C·ΔV/I, Q = C·V, E = ½·C·V² (any circuits text): 2200 µF to 4.0 V at 0.5 A take 17.6 ms, 8.8 mC, 17.6 mJ."""
    t = np.linspace(0, 0.0176, 177)
    found = let_through(samples(t, 4.0 * t / 0.0176, np.full(177, 0.5)), at(0, 0.0176, 0.0176), NOTHING, Steps(), 4, 1)
    assert values(found) == pytest.approx([8.8e-3, 17.6e-3, 0.25 * 0.0176], rel=1e-4)


def test_inrush_into_a_capacitor_through_a_resistance() -> None:
    """i = (V/R)·e^(−t/RC): 4.0 V, 0.2 Ω, 220 µF let 0.88 mC through and V²/R²·RC/2 = 8.8 mA²s; quad agrees."""
    volts, ohm, farad = 4.0, 0.2, 220e-6
    tau = ohm * farad
    t = np.arange(0, 20 * tau, 1e-6)
    amps = volts / ohm * np.exp(-t / tau)
    found = let_through(samples(t, np.full(len(t), volts), amps), at(0, t[-1], t[-1]), NOTHING, Steps(), volts, 30)
    charge, _ = integrate.quad(lambda x: volts / ohm * np.exp(-x / tau), 0, t[-1])
    assert found.charge_c.value == pytest.approx(charge, rel=1e-3)
    assert found.charge_c.value == pytest.approx(0.88e-3, rel=1e-3)
    assert found.square_a2s.value == pytest.approx(8.8e-3, rel=1e-3)
    assert found.energy_j.value == pytest.approx(volts * 0.88e-3, rel=1e-3)


def test_a_triangle_has_a_third_of_the_rectangles_square() -> None:
    """I²t of a triangle: I²·t/3 (fuse makers' guides): 10 A for 10 ms give 0.3333 A²s."""
    t = np.linspace(0, 0.01, 1001)
    found = let_through(samples(t, np.ones(1001), 10 * t / 0.01), at(0, 0.01, 0.01), NOTHING, Steps(), 1, 10)
    assert found.square_a2s.value == pytest.approx(1 / 3, rel=1e-3)
    assert found.charge_c.value == pytest.approx(0.05, rel=1e-6)


def test_uneven_readings_are_summed_as_scipy_sums_them() -> None:
    rng = np.random.default_rng(7)
    t = np.sort(rng.uniform(0, 1, 60))
    t[0], t[-1] = 0.0, 1.0
    amps, volts = rng.uniform(0, 2, 60), rng.uniform(0, 4, 60)
    s = samples(t, volts, amps)
    t = (s.t_ns - T0) / 1e9
    found = let_through(s, at(0, 1.0, 1.0), NOTHING, Steps(), 4, 2)
    expected = [integrate.trapezoid(y, t) for y in (amps, volts * amps, amps**2)]
    assert values(found) == pytest.approx(expected, rel=1e-9)


def test_the_last_values_hold_until_off_was_sent_and_confirmed() -> None:
    s = samples(np.array([0.0, 0.1, 0.4]), np.array([0.2, 0.2, 0.0]), np.array([2.0, 2.0, 0.0]))
    found = let_through(s, at(0, 0.3, 0.5), NOTHING, Steps(), 4, 2)
    # 2 A for 0.3 s, then down to 0 A within 0.1 s, then nothing: 0.6 C + 0.1 C.
    assert found.charge_c.value == pytest.approx(0.7)


def test_what_nobody_saw_is_bounded_by_the_limit() -> None:
    """0.05 s before the onset, 0.3 s from the last reading to the next, 0.1 s to OFF confirmed: 0.45 s at 2 A, 4 V."""
    s = samples(np.array([0.0, 0.1, 0.4]), np.array([0.2, 0.2, 0.0]), np.array([2.0, 2.0, 0.0]))
    found = let_through(s, at(0, 0.3, 0.5, good_s=-0.05), NOTHING, Steps(), 4, 2)
    for each, most in zip(found, (0.45 * 2, 0.45 * 8, 0.45 * 4), strict=True):
        assert each.most == pytest.approx(each.value + most)
        assert each.u is None, "no accuracy is stated"
    unconfirmed = let_through(s, at(0, 0.3, None), NOTHING, Steps(), 4, 2)
    assert [each.most for each in unconfirmed] == [None] * 3, "it may flow still"


@pytest.mark.parametrize("gap_s", [0.001, 0.02, 0.19])
def test_a_pulse_between_two_readings_stays_below_the_bound(gap_s: float) -> None:
    """The true charge of a short that nobody saw begin, against what is said of it."""
    limit_a, begun_s = 2.0, -0.9 * gap_s
    t = np.arange(0, 0.4, gap_s)
    s = samples(np.insert(t, 0, -gap_s), np.full(len(t) + 1, 0.1), np.append(0.0, np.full(len(t), limit_a)))
    found = let_through(s, at(0, t[-1], t[-1] + gap_s, good_s=-gap_s), KNOWN, Steps(), 4, limit_a)
    true_c = limit_a * (t[-1] + gap_s - begun_s)
    assert found.charge_c.most is not None
    assert found.charge_c.value < true_c < found.charge_c.most


def test_the_uncertainty_is_that_of_the_accuracy() -> None:
    """1.000 A within 0.1 % + 5 mA: ± 6 mA, U = 2·6/√3 mA = 6.93 mA (JCGM 100 §4.3.7); for 1 s the same in C."""
    t = np.linspace(0, 1, 101)
    found = let_through(samples(t, np.full(101, 3.998), np.ones(101)), at(0, 1, 1), KNOWN, Steps(), 4, 1)
    assert found.charge_c.u == pytest.approx(6.93e-3, rel=1e-3)
    assert found.square_a2s.u == pytest.approx(2 * 6.93e-3, rel=1e-3)
    # P = V·I: 3.998 V within 0.03 % + 5 mV is 7.16 mV; (U_P/P)² = (U_V/V)² + (U_I/I)² (JCGM 100 §5.1.6).
    assert found.energy_j.u == pytest.approx(3.998 * np.hypot(7.16e-3 / 3.998, 6.93e-3), rel=1e-3)


def test_the_uncertainty_is_what_many_supplies_of_that_accuracy_spread_by() -> None:
    rng = np.random.default_rng(11)
    t = np.linspace(0, 0.5, 40)
    amps, volts = 2 - 2 * t, 0.2 + t
    step = 0.01
    found = let_through(samples(t, volts, amps), at(0, 0.5, 0.5), KNOWN, Steps(0.0, step, 0.0), 4, 2)
    energies = []
    for _ in range(4000):
        wrong_a, wrong_v = rng.uniform(-1, 1, 2)
        read_a = amps + wrong_a * (KNOWN.fraction_a * amps + KNOWN.offset_a) + rng.uniform(-step / 2, step / 2, 40)
        read_v = volts + wrong_v * (KNOWN.fraction_v * volts + KNOWN.offset_v)
        energies.append(integrate.trapezoid(read_a * read_v, t))
    assert found.energy_j.u == pytest.approx(2 * np.std(energies), rel=0.05)


def test_no_reading_at_all_is_no_sum_but_a_bound() -> None:
    nobody = samples(np.array([]), np.array([]), np.array([]))
    found = let_through(nobody, at(0, 1.0, 1.5), KNOWN, Steps(), 4, 2)
    assert [each.value for each in found] == [0, 0, 0]
    assert [each.most for each in found] == pytest.approx([3.0, 12.0, 6.0])
    nan = samples(np.array([0.0, 0.5]), np.array([np.nan, 0.2]), np.array([1.0, 1.0]))
    assert let_through(nan, at(0, 0.5, 0.6), KNOWN, Steps(), 4, 2).charge_c.value == pytest.approx(0.1)
