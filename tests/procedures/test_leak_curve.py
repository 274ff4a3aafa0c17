"""The leak curve: kinds of leaks told apart, their figures, and good boards beside them."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from benchd.plans.shelf import shipped
from benchd.procedures.averaging import mean_a, mean_v
from benchd.procedures.leak_curve import analyse
from benchd.procedures.leak_models import THERMAL_V, fits
from benchd.procedures.record import Column, Curve
from benchd.procedures.taken import CannotTell, Measured, Taken
from benchd.traces.trace import Conditions

SUPPLY = Conditions(resolution_a=1e-4, accuracy_fraction_a=0.001, accuracy_offset_a=0.002, resolution_v=0.001,
                    accuracy_fraction_v=0.0005, accuracy_offset_v=0.005)  # fmt: skip
NOISE_A = 5e-5


def taken(
    law: Callable[[float], float],
    volts: np.ndarray,
    seed: int = 1,
    *,
    limit_a: float = 0.1,
    early: Callable[[float], float] | None = None,
    reference: dict[str, tuple[Curve, ...]] | None = None,
) -> Taken:
    """A sweep as a supply within its accuracy shows it: gain and offset wrong, noise, steps."""
    rng = np.random.default_rng(seed)
    gain, offset = 1 + 0.001 * rng.uniform(-1, 1), 0.002 * rng.uniform(-1, 1)
    measured = []
    for n, volt in enumerate(volts.tolist()):
        for name, what in (("early", early), ("late", law)):
            if what is None:
                continue
            true_a = min(what(volt), limit_a)
            shown = gain * true_a + offset + rng.normal(0, NOISE_A / math.sqrt(10))
            shown = round(shown / 1e-5) * 1e-5  # ten readings of 0.1 mA averaged
            amps, volts_ = mean_a(shown, NOISE_A, 10, SUPPLY), mean_v(volt, 3e-4, 10, SUPPLY)
            measured.append(
                Measured(name, "main", {"voltage_v": volt}, n, 10, volts_, amps, what(volt) >= limit_a, volt, limit_a)
            )
    plan = shipped()["phone-cell"].plan
    return Taken(plan, {}, {"main": SUPPLY}, {"main": None}, measured=measured, reference=reference or {})


SWEEP_V = np.arange(0.2, 4.01, 0.2)


def row(done: object, name: str) -> object:
    return next(each for each in done.results if each.name == name)  # type: ignore[attr-defined]


@pytest.mark.parametrize("seed", range(5))
def test_a_resistor_is_ohmic_and_its_resistance_is_held_by_the_interval(seed: int) -> None:
    done = analyse(taken(lambda v: v / 88.9, SWEEP_V, seed))
    assert row(done, "kind").value == "ohmic"
    ohm = row(done, "resistance")
    assert abs(ohm.value - 88.9) <= 1.2 * ohm.u  # 1.2: one in twenty lies outside


@pytest.mark.parametrize("seed", range(5))
def test_a_diode_is_told_by_its_curve(seed: int) -> None:
    """Shockley's equation with Is = 2 nA, n = 1.6: 1 mA at n·Vt·ln(1 mA/Is + 1) = 0.543 V."""
    done = analyse(taken(lambda v: 2e-9 * math.expm1(v / (1.6 * THERMAL_V)), np.arange(0.05, 0.80, 0.05), seed))
    assert row(done, "kind").value == "diode-like"
    assert row(done, "ideality").value == pytest.approx(1.6, abs=0.06)
    assert row(done, "forward_v").value == pytest.approx(0.5427, abs=0.02)


@pytest.mark.parametrize("seed", range(5))
def test_a_breakdown_begins_where_it_begins(seed: int) -> None:
    done = analyse(taken(lambda v: max(0.0, v - 2.43) / 30, SWEEP_V, seed))
    assert row(done, "kind").value == "breakdown"
    assert row(done, "breakdown_v").value == pytest.approx(2.43, abs=0.06)
    assert row(done, "above_ohm").value == pytest.approx(30, rel=0.05)


def test_no_current_is_no_leak() -> None:
    done = analyse(taken(lambda v: 0.0, SWEEP_V))
    assert row(done, "kind").value == "none"
    assert done.outcome == "passed"  # the plan's 5 mA are more than what was seen and may be
    assert "no current that this supply can tell from none" in done.text.lower()


def test_a_capacitor_draws_after_each_step_and_not_at_rest() -> None:
    done = analyse(taken(lambda v: 0.0, SWEEP_V, early=lambda v: 0.04))
    assert row(done, "kind").value == "capacitor"


def test_what_the_limit_holds_back_is_not_fitted() -> None:
    done = analyse(taken(lambda v: v / 20, SWEEP_V, limit_a=0.1))
    assert row(done, "kind").value == "ohmic"
    assert row(done, "resistance").value == pytest.approx(20, rel=0.05)
    assert "it would draw more" in row(done, "current_at_top").text
    assert done.curves[0].fitted[-1] is None


def test_too_much_in_limit_is_no_curve() -> None:
    assert row(analyse(taken(lambda v: v / 1.0, SWEEP_V, limit_a=0.1)), "kind").value == "unclear"


def test_a_curve_of_no_kind_is_unclear() -> None:
    done = analyse(taken(lambda v: 0.02 + 0.015 * math.sin(4 * v), SWEEP_V))
    assert row(done, "kind").value == "unclear"


def good(ohm: float) -> tuple[Curve, ...]:
    amps = tuple(float(v / ohm) for v in SWEEP_V)
    columns = (
        Column("voltage_v", "", "V", tuple(SWEEP_V.tolist())),
        Column("current_a", "", "A", amps, (0.002,) * len(amps)),
    )
    return (Curve("leak", "", columns),)


def test_more_than_good_boards_draw_is_a_fault_and_as_much_is_none() -> None:
    bad = analyse(taken(lambda v: v / 88.9, SWEEP_V, reference={"P1": good(3300.0), "P2": good(3000.0)}))
    assert (bad.outcome, row(bad, "against").verdict) == ("failed", "bad")
    assert "more than the 1.33 mA of 2 good boards" in row(bad, "against").text
    fine = analyse(taken(lambda v: v / 90, SWEEP_V, reference={"P1": good(88.0)}))
    assert (fine.outcome, row(fine, "against").verdict) == ("passed", "good")


def test_too_few_points_are_no_curve() -> None:
    with pytest.raises(CannotTell, match="3 points"):
        analyse(taken(lambda v: v / 100, SWEEP_V[:3]))
    with pytest.raises(ValueError, match="at least 5"):
        fits(SWEEP_V[:4], SWEEP_V[:4], SWEEP_V[:4])


def test_ohms_law_is_fitted_as_numpy_fits_a_straight_line() -> None:
    """numpy.polyfit over the same points, with the offset free on both sides."""
    rng = np.random.default_rng(5)
    amps = SWEEP_V / 47 + 0.001 + rng.normal(0, 1e-4, len(SWEEP_V))
    slope, offset_a = np.polyfit(SWEEP_V, amps, 1)
    fit = next(each for each in fits(SWEEP_V, amps, np.full(len(SWEEP_V), 1e-4), 1.0) if each.kind == "ohmic")
    assert fit.values["ohm"] == pytest.approx(1 / slope, rel=1e-4)
    assert fit.values["offset_a"] == pytest.approx(offset_a, rel=1e-2)
