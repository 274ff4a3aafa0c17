"""Resistances against worked examples and the standards they come from, and intervals against drawn supplies."""

from __future__ import annotations

import asyncio

import numpy as np
import pytest
from msgspec.structs import replace
from scipy import stats

from benchd.plans.leads import pair_ohm
from benchd.procedures.coverage import Parts, half_width
from benchd.procedures.lead_resistance import analyse
from benchd.procedures.record import LeadSet
from benchd.procedures.resistance import at_celsius, from_one, from_two
from benchd.procedures.shelf import shipped
from benchd.procedures.taken import CannotTell, Mean, Measured, Taken
from benchd.traces.trace import Conditions
from tests.procedures.drawn import Drawn
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
    pair = LeadSet("psu", 1, "", pair_ohm(20, 1.0), 0.0, 0.0, None, 0)
    assert from_one(level(0.0125 + pair_ohm(20, 1.0), 1.0), EXACT, pair).ohm == pytest.approx(0.0125, abs=1e-6)
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


@pytest.mark.parametrize(
    ("n", "steps"),
    [
        *((n, steps) for n in (10, 20, 40, 100) for steps in ((0.05, 0.2), (0.2, 0.4))),
        (20, (0.4, 1)),
        (300, (0.05, 0.4)),
    ],
)
def test_the_interval_holds_the_truth_where_the_noise_is_a_part_of_a_step(n: int, steps: tuple[float, float]) -> None:
    """As above; noise between two parts of a step, drawn for each supply and meter: what rounding leaves is neither a
    whole half step nor nothing (B. Widrow and I. Kollár, Quantization Noise, 2008), and few readings show little."""
    rng, held = np.random.default_rng(3), 0
    for _ in range(1000):
        supply = Drawn(
            rng, step=(1e-3, 1e-3), noise=(1e-3 * rng.uniform(*steps), 1e-3 * rng.uniform(*steps)),
            gain=(1e-5, 1e-5), offset=(1e-2, 1e-2),
        )  # fmt: skip
        ohm, amps = rng.uniform(0.05, 0.15), np.array([rng.uniform(0.2, 0.3), rng.uniform(0.9, 1.1)])
        found = from_two(*supply.measured("m", [0.5, 0.5], ohm * amps, amps, n), supply.conditions)
        held += abs(found.ohm - ohm) <= found.u_ohm
    assert 930 <= held <= 970


@pytest.mark.parametrize(
    ("what", "noise_v", "noise_a", "step_v", "step_a", "fraction", "offset"),
    [("noise", 2e-3, 1e-3, 1e-5, 1e-5, 1e-5, 1e-6), ("offset", 1e-4, 1e-4, 1e-5, 1e-5, 1e-5, 5e-3),
     ("step", 1e-5, 1e-5, 1e-2, 1e-3, 1e-5, 1e-6), ("gain", 1e-5, 1e-5, 1e-6, 1e-6, 5e-3, 1e-6)],
)  # fmt: skip
def test_the_interval_of_a_short_holds_the_truth_in_93_to_97_of_100_supplies(
    what: str, noise_v: float, noise_a: float, step_v: float, step_a: float, fraction: float, offset: float
) -> None:
    """As above: the leads by two levels, and with the same meters, from ten readings, the short at their end."""
    rng = np.random.default_rng(3)
    supply = Conditions(
        accuracy_fraction_v=fraction, accuracy_offset_v=offset, accuracy_fraction_a=fraction, accuracy_offset_a=offset,
        resolution_v=step_v, resolution_a=step_a,
    )  # fmt: skip
    held = 0
    for _ in range(1000):
        gains, offsets = 1 + fraction * rng.uniform(-1, 1, 2), offset * rng.uniform(-1, 1, 2)
        lead, short = rng.uniform(0.05, 0.15), rng.uniform(0.02, 0.1)
        read = []
        for ohm, amps, n in (
            (lead, rng.uniform(0.2, 0.3), 20),
            (lead, rng.uniform(0.9, 1.1), 20),
            (lead + short, rng.uniform(0.9, 1.1), 10),
        ):
            volts = np.round((gains[0] * ohm * amps + offsets[0] + rng.normal(0, noise_v, n)) / step_v) * step_v
            shown = np.round((gains[1] * amps + offsets[1] + rng.normal(0, noise_a, n)) / step_a) * step_a
            mean_v, mean_a = Mean(volts.mean(), volts.std(ddof=1), 0.0), Mean(shown.mean(), shown.std(ddof=1), 0.0)
            read.append(Measured("m", "main", {}, 0, n, mean_v, mean_a, True, 0.5, amps))
        leads = from_two(read[0], read[1], supply)
        kept = LeadSet("psu", 1, "", leads.ohm, leads.u_ohm, 1.0, None, 0, run="P1")
        found = from_one(read[2], supply, kept)
        held += abs(found.ohm - short) <= found.u_ohm
    assert 930 <= held <= 970, what


@pytest.mark.parametrize("degrees", [1, 2, 3, 5, 9, 19, 99])
def test_scatter_of_few_readings_has_students_factor(degrees: int) -> None:
    """scipy.stats.t; effective degrees of freedom of alike parts add up (JCGM 100 §G.4)."""
    parts = Parts((), ((1.0, degrees),))
    assert parts.half_width() == pytest.approx(stats.t.ppf(0.975, degrees), rel=0.01)
    both = parts.and_(parts).half_width()
    assert both == pytest.approx(np.sqrt(2) * stats.t.ppf(0.975, 2 * degrees), rel=0.01)


def test_leads_that_these_meters_measured_share_their_gains_and_typed_ones_do_not() -> None:
    """Gains wrong by up to 1 % each: of 20 mΩ behind 100 mΩ those are ± 1 % of 20 mΩ, a triangle (JCGM 101 §6.4.5)."""
    supply = Conditions(accuracy_fraction_v=0.01, accuracy_fraction_a=0.01)
    leads_u = half_width([0.001, 0.001])
    measured = LeadSet("psu", 1, "", 0.1, leads_u, 1.0, None, 0, run="P1")
    ours = from_one(level(0.12, 1.0), supply, measured)
    assert ours.ohm == pytest.approx(0.02)
    assert ours.u_ohm == pytest.approx(0.0002 * 2 * (1 - np.sqrt(0.05)), rel=0.01)
    typed = from_one(level(0.12, 1.0), supply, replace(measured, run=""))
    assert typed.u_ohm == pytest.approx(np.hypot(leads_u, half_width([0.0012, 0.0012])), rel=0.03)


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
