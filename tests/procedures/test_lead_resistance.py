"""Resistances against worked examples and the standards they come from, and intervals against drawn supplies."""

from __future__ import annotations

import asyncio

import numpy as np
import pytest

from benchd.plans.leads import pair_ohm
from benchd.procedures.lead_resistance import analyse
from benchd.procedures.resistance import Resistance, at_celsius, from_one, from_two
from benchd.procedures.shelf import shipped
from benchd.procedures.taken import CannotTell, Mean, Measured, Taken
from benchd.traces.trace import Conditions
from tests.procedures.hands import FakeHands, resistor
from tests.procedures.test_engine import PHONE, played

EXACT = Conditions()


def level(volts: float, amps: float, name: str = "high", sigma: float = 0.0, n: int = 100) -> Measured:
    return Measured(name, "main", {}, 0, n, Mean(volts, sigma, 0.0), Mean(amps, sigma, 0.0), True, 0.5, amps)


def test_worked_examples_of_two_and_four_wires() -> None:
    """Textbook: 12.5 mV at 1.000 A are 12.50 mΩ by four wires; two wires through a pair of 20 AWG, 1 m each, read
    66.62 mΩ more (ASTM B258, IEC 60028); with the current reversed, (12.53 + 12.47)/2 mV are 12.50 mΩ."""
    assert from_one(level(0.0125, 1.0), EXACT).ohm == pytest.approx(0.0125)
    two_wires = from_one(level(0.0125 + pair_ohm(20, 1.0), 1.0), EXACT)
    assert two_wires.ohm == pytest.approx(0.0791, abs=5e-5)
    assert two_wires.minus(Resistance(pair_ohm(20, 1.0), 0.0)).ohm == pytest.approx(0.0125, abs=1e-6)
    assert from_two(level(-0.01247, -1.0), level(0.01253, 1.0), EXACT).ohm == pytest.approx(0.0125)


def test_copper_by_temperature() -> None:
    """IEC 60028: 22 AWG has 52.96 mΩ/m at 20 °C and 61.29 mΩ/m at 60 °C, a factor of 1.1572."""
    assert at_celsius(52.962, 20, 60) == pytest.approx(61.29, abs=0.01)
    assert at_celsius(61.29, 60, 20) == pytest.approx(52.96, abs=0.01)


def test_one_level_carries_the_offsets_and_two_do_not() -> None:
    """JCGM 100 §5.1: 0.35 V at 2.0 A, readings within 0.03 % + 5 mV and 0.1 % + 5 mA, rectangular."""
    supply = Conditions(
        accuracy_fraction_v=0.0003, accuracy_offset_v=0.005, accuracy_fraction_a=0.001, accuracy_offset_a=0.005
    )
    one = from_one(level(0.35, 2.0), supply)
    by_v, by_a = (0.0003 * 0.35 + 0.005) / 2.0, 0.175 / 2.0 * (0.001 * 2.0 + 0.005)
    assert one.ohm == pytest.approx(0.175)
    assert 0.95 * by_v < one.u_ohm < 1.1 * np.hypot(by_v, by_a)
    two = from_two(level(0.0875, 0.5), level(0.35, 2.0), supply)
    assert two.u_ohm < one.u_ohm / 10


@pytest.mark.parametrize(
    ("what", "noise_v", "noise_a", "step_v", "step_a", "fraction"),
    [("noise", 2e-3, 1e-3, 1e-5, 1e-5, 1e-5), ("step", 1e-5, 1e-5, 1e-3, 1e-3, 1e-5),
     ("gain", 1e-5, 1e-5, 1e-6, 1e-6, 0.002),
     ("all", 3e-4, 3e-4, 5e-4, 5e-4, 0.001)],
)  # fmt: skip
def test_the_interval_holds_the_truth_in_93_to_97_of_100_supplies(
    what: str, noise_v: float, noise_a: float, step_v: float, step_a: float, fraction: float
) -> None:
    """A thousand supplies within their accuracy, drawn with one seed: gains and offsets wrong, noise, steps."""
    rng = np.random.default_rng(3)
    supply = Conditions(
        accuracy_fraction_v=fraction, accuracy_offset_v=0.01, accuracy_fraction_a=fraction, accuracy_offset_a=0.01,
        resolution_v=step_v, resolution_a=step_a,
    )  # fmt: skip
    held, n = 0, 20
    for _ in range(1000):
        gains, offsets = 1 + fraction * rng.uniform(-1, 1, 2), 0.01 * rng.uniform(-1, 1, 2)
        ohm = rng.uniform(0.05, 0.15)
        levels = []
        for amps in rng.uniform(0.2, 0.3), rng.uniform(0.9, 1.1):
            volts = np.round((gains[0] * ohm * amps + offsets[0] + rng.normal(0, noise_v, n)) / step_v) * step_v
            shown = np.round((gains[1] * amps + offsets[1] + rng.normal(0, noise_a, n)) / step_a) * step_a
            mean_v, mean_a = Mean(volts.mean(), volts.std(ddof=1), 0.0), Mean(shown.mean(), shown.std(ddof=1), 0.0)
            levels.append(Measured("m", "main", {}, 0, n, mean_v, mean_a, True, 0.5, amps))
        found = from_two(*levels, supply)
        held += abs(found.ohm - ohm) <= found.u_ohm
    assert 930 <= held <= 970, what


def test_the_shipped_card_measures_leads_and_keeps_them() -> None:
    hands = FakeHands({"main": resistor(0.0666)})
    hands.answers = {"ready": True}
    done = asyncio.run(played(shipped()["lead-resistance"].card, hands, celsius=21.0))
    result = done.run.results[0]
    assert done.run.outcome == "done"
    assert abs(result.value - 0.0666) < 2 * result.u < 0.01  # type: ignore[operator]
    (leads,) = done.leads
    assert (leads.supply, leads.celsius, leads.run) == ("main", 21.0, "P1")
    assert hands.bounds["main"].injection
    assert hands.now == {}


def test_what_the_supply_cannot_tell_is_said() -> None:
    hands = FakeHands({"main": resistor(0.0666)})
    hands.answers = {"ready": True}
    done = asyncio.run(played(shipped()["lead-resistance"].card, hands, wanted_mohm=0.1)).run
    assert done.outcome == "unclear"
    assert "Asked was ± 0.1 mΩ; at 1 A this supply can tell ±" in done.text


def test_clips_that_are_not_on_each_other_are_told() -> None:
    hands = FakeHands({"main": resistor(1e6)})
    hands.answers = {"ready": True}
    done = asyncio.run(played(shipped()["lead-resistance"].card, hands)).run
    assert done.outcome == "refused"
    assert "the leads are open" in done.text
    with pytest.raises(CannotTell, match="those are no leads"):
        analyse(Taken(PHONE, {}, {"main": EXACT}, {"main": None}, measured=[level(1.0, 0.1, "low"), level(4.0, 1.0)]))
    with pytest.raises(CannotTell, match="mend the card"):
        analyse(Taken(PHONE, {}, {"main": EXACT}, {"main": None}))
