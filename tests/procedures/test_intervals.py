"""Intervals of thresholds and leaks against a thousand drawn supplies each: 93 to 97 of 100 hold what is true.

The same check that JCGM 101:2008 §8 makes of an analytic interval: against drawn values. With 1000 draws the share that
is found scatters by 0.7 % (binomial, any text).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from benchd.plans.shelf import shipped
from benchd.procedures import leak_curve, leak_models, thresholds
from benchd.procedures.averaging import rise_a
from benchd.procedures.leak_charge import charged, pooled
from benchd.procedures.leak_models import THERMAL_V
from benchd.procedures.record import LeadSet, Result
from benchd.procedures.taken import Measured, Taken
from benchd.traces.samples import Samples
from tests.procedures.drawn import Drawn, Floats

RUNS = 1000
PLAN = shipped()["phone-cell"].plan
Given = dict[str, Any]


def held(rows: list[tuple[Result, float]], runs: int = RUNS, least: float = 0.93, most: float = 0.97) -> None:
    """Every figure of all runs with what is true."""
    shares: dict[str, list[bool]] = {}
    for row, true in rows:
        assert isinstance(row.value, float)
        assert row.u is not None
        shares.setdefault(row.name, []).append(abs(row.value - true) <= row.u)
    for name, inside in shares.items():
        assert len(inside) >= 0.9 * runs, (name, len(inside))
        assert least <= np.mean(inside) <= most, (name, np.mean(inside))


def taken(supply: Drawn, measured: list[Measured], leads: LeadSet | None, **parameters: float) -> Taken:
    return Taken(PLAN, dict(parameters), {"main": supply.conditions}, {"main": leads}, measured=measured)


# ---- thresholds ------------------------------------------------------------------------------------------------------


def ran_down(
    rng: np.random.Generator, step_v: float, lead_ohm: float, ours: bool, given: Given
) -> list[tuple[Result, float]]:
    """A board that gives up at one voltage at its terminals and starts at another; of the steps those that matter."""
    supply = Drawn(rng, **given)
    cut_v, start_v, drawn_a = rng.uniform(2.8, 3.2), rng.uniform(3.3, 3.6), rng.uniform(0.05, 0.3)
    down_v, up_v = np.round(np.arange(4.0, 2.4, -step_v), 9), np.round(np.arange(2.4, 4.0, step_v), 9)
    off = int(np.argmax(supply.gives(down_v) - lead_ohm * drawn_a < cut_v))
    on = int(np.argmax(supply.gives(up_v) - lead_ohm * 1e-3 >= start_v))
    at_v = [*down_v[[0, off - 1, off]].tolist(), *up_v[[0, on - 1, on]].tolist()]
    amps = np.array([drawn_a, drawn_a, 1e-3, 1e-3, 1e-3, drawn_a])
    made = supply.measured("down", at_v, supply.gives(np.array(at_v)), amps, 10)
    made = [each._replace(name="down" if k < 3 else "up") for k, each in enumerate(made)]
    leads = supply.leads(lead_ohm, 0.1 * lead_ohm, ours=ours) if lead_ohm else None
    done = thresholds.analyse(taken(supply, made, leads, off_a=0.01, on_a=0.03))
    return list(zip(done.results, (cut_v, start_v), strict=True))


@pytest.mark.parametrize(
    ("step_v", "lead_ohm", "ours", "given"),
    [
        (0.05, 0.0, True, {}),  # the card's step
        (0.02, 0.3, True, {"offset": (1e-3, 2e-3)}),
        (0.02, 0.3, False, {"offset": (1e-3, 2e-3), "gain": (1e-4, 0.01)}),
        (0.02, 0.0, True, {"step": (1e-2, 1e-4), "noise": (1e-4, 5e-5)}),  # two of the meter's
        (0.025, 0.0, True, {"step": (1e-2, 1e-4), "noise": (1e-4, 5e-5)}),  # the supply rounds what is set
        (0.02, 0.0, True, {"noise": (2e-2, 5e-5)}),  # noise as large as a step
        (0.02, 0.0, True, {"gain": (1e-2, 1e-3), "offset": (2e-2, 2e-3)}),
    ],
)
def test_both_thresholds_of_a_board(step_v: float, lead_ohm: float, ours: bool, given: Given) -> None:
    rng = np.random.default_rng(7)
    held([row for _ in range(RUNS) for row in ran_down(rng, step_v, lead_ohm, ours, given)])


# ---- leaks -----------------------------------------------------------------------------------------------------------

SWEEP_V = np.round(np.arange(0.1, 4.01, 0.3), 3)


def swept(
    supply: Drawn, law: Callable[[Floats], Floats], sweep_v: Floats, n: int, leads: LeadSet | None = None
) -> dict[str, Result]:
    """The figures of a leak whose current at the terminals is known."""
    volts = supply.gives(sweep_v)
    measured = supply.measured("late", sweep_v.tolist(), volts, law(volts), n, 0.5)
    return {row.name: row for row in leak_curve.analyse(taken(supply, measured, leads)).results}


@pytest.fixture
def alone(monkeypatch: pytest.MonkeyPatch) -> Callable[[str, list[float] | None], None]:
    """One model, and one start: which model it is was told before, and a thousand fits of all take minutes."""
    every = {model.kind: model for model in leak_models.MODELS}

    def only(kind: str, start: list[float] | None = None) -> None:
        model = every[kind]  # type: ignore[index]
        kept = model if start is None else model._replace(starts=lambda volts, amps: [np.array(start)])
        monkeypatch.setattr(leak_models, "MODELS", (kept,))

    return only


OHMIC: list[tuple[int, float, bool, Given]] = [
    (10, 0.0, True, {}),
    (3, 0.0, True, {"noise": (3e-4, 1e-3), "step": (1e-3, 1e-6)}),  # three readings each, as few as the card takes
    (10, 0.0, True, {"step": (1e-2, 1e-5), "noise": (1e-4, 1e-5)}),  # volts rounded alike, step by step
    (10, 0.0, True, {"step": (1e-3, 1e-3), "noise": (3e-4, 3e-4)}),  # of amperes 0.3 of a step
    (10, 5.0, True, {"gain": (1e-2, 1e-2)}),
    (10, 5.0, False, {"gain": (1e-2, 1e-2)}),
    (10, 0.0, True, {"offset": (5e-2, 1e-4)}),  # of the voltage: off by as much current at each point
]


def test_the_resistance_of_an_ohmic_leak(alone: Callable[..., None]) -> None:
    """All causes in turns: a fit takes some milliseconds."""
    rng = np.random.default_rng(4)
    alone("ohmic")
    rows = []
    for run in range(RUNS):
        n, lead_ohm, ours, given = OHMIC[run % len(OHMIC)]
        supply, ohm = Drawn(rng, **given), rng.uniform(40, 200)
        leads = supply.leads(lead_ohm, 0.3, ours=ours) if lead_ohm else None
        found = swept(supply, lambda volts, ohm=ohm + lead_ohm: volts / ohm, SWEEP_V, n, leads)  # type: ignore[misc]
        rows.append((found["resistance"], ohm))
    held(rows)


BREAKDOWN: list[Given] = [{}, {"noise": (3e-4, 1e-3)}, {"offset": (5e-2, 2e-3), "gain": (1e-2, 1e-2)}]


def test_where_a_breakdown_begins_and_its_resistance(alone: Callable[..., None]) -> None:
    rng = np.random.default_rng(4)
    rows = []
    for run in range(RUNS):
        supply, from_v, ohm = Drawn(rng, **BREAKDOWN[run % len(BREAKDOWN)]), rng.uniform(2, 3), rng.uniform(20, 60)
        alone("breakdown", [from_v, -math.log(ohm), math.log(1e-4)])

        def law(volts: Floats, from_v: float = from_v, ohm: float = ohm) -> Floats:
            leak_a: Floats = np.maximum(volts - from_v, 0) / ohm + 1e-4 * volts
            return leak_a

        found = swept(supply, law, SWEEP_V, 10)
        if found["kind"].value == "breakdown":
            rows += [(found["breakdown_v"], from_v), (found["above_ohm"], ohm)]
    held(rows)


def test_the_ideality_of_a_diode_on_a_bench(alone: Callable[..., None]) -> None:
    """Shockley's equation at 290 to 310 K: k·T/q goes with the temperature."""
    rng = np.random.default_rng(4)
    rows = []
    for run in range(300):
        supply = Drawn(rng, noise=(3e-4, (5e-5, 5e-4)[run % 2]))
        ideality, thermal_v = rng.uniform(1.2, 2.0), THERMAL_V * (1 + rng.uniform(-1, 1) / 30)
        saturation_a = 0.05 / math.expm1(rng.uniform(0.6, 0.7) / (ideality * thermal_v))
        alone("diode-like", [math.log(saturation_a), math.log(ideality), -20.0])

        def law(volts: Floats, from_a: float = saturation_a, nvt_v: float = ideality * thermal_v) -> Floats:
            leak_a: Floats = np.minimum(from_a * np.expm1(volts / nvt_v), 0.5)
            return leak_a

        found = swept(supply, law, np.round(np.arange(0.05, 0.8, 0.05), 3), 10)
        if "ideality" in found:
            rows.append((found["ideality"], ideality))
    held(rows, 300, 0.92, 0.98)  # fewer, since a fit takes long: they scatter by 1.3 %


@pytest.mark.parametrize(
    ("rate", "lead_ohm", "given"),
    [
        (50.0, 0.0, {}),  # the end of charging falls between two readings
        (200.0, 0.0, {"gain": (1e-2, 2e-2)}),
        (500.0, 0.0, {"step": (1e-3, 5e-3), "noise": (3e-4, 1e-4), "offset": (5e-3, 2e-2)}),
        (500.0, 0.0, {"noise": (5e-2, 5e-5)}),
        (500.0, 1.0, {"noise": (3e-4, 3e-3)}),
    ],
)
def test_a_capacitor_that_charges_at_the_limit(rate: float, lead_ohm: float, given: Given) -> None:
    """V = I·t/C up to what is set, then no current (any circuits text)."""
    rng = np.random.default_rng(5)
    rows = []
    for _ in range(RUNS):
        supply, farad, limit_a = Drawn(rng, **given), rng.uniform(2e-3, 2e-2), rng.uniform(0.08, 0.12)
        first_v, last_v = rng.uniform(0, 0.5), rng.uniform(3, 4)
        t_s = np.arange(0, 1.2, 1 / rate) + rng.uniform(0, 1 / rate)
        board_v = np.minimum(first_v + limit_a * t_s / farad, last_v)
        amps = np.where(board_v < last_v, limit_a, 0.0)
        none = np.zeros(len(t_s), np.uint8)
        shown = supply.shows(0, board_v + lead_ohm * amps), supply.shows(1, amps)
        samples = Samples((t_s * 1e9).astype(np.int64), *shown, none, none)
        rest = supply.measured("late", [0.4] * 10, np.full(10, 0.4), np.zeros(10), 10)
        found = charged(samples, rest, supply.conditions, supply.leads(lead_ohm, 0.3) if lead_ohm else None)
        assert found is not None
        rows.append((Result("capacitance", "", found[0], "F", found[1]), farad))
    held(rows)


def test_scatter_of_several_measurements_is_that_of_all_about_their_own_means() -> None:
    """Two of three readings each: squares 2 and 18 over four degrees of freedom."""
    made = Drawn(np.random.default_rng(1)).measured("late", [1.0, 2.0], np.ones(2), np.ones(2), 3)
    made = [
        each._replace(current_a=each.current_a._replace(sigma=sigma))
        for each, sigma in zip(made, (1.0, 3.0), strict=True)
    ]
    assert pooled(made)[1] == pytest.approx(math.sqrt(20 / 4))
    assert pooled([]) == (0.0, 0.0)


MEANS = [
    {"noise": (2e-3, 1e-3), "step": (1e-5, 1e-5)},
    {"noise": (3e-4, 5e-5), "offset": (1e-6, 1e-6), "gain": (2e-3, 2e-3)},
    {},
]
"""Mostly noise, mostly gain, and a supply as they are."""


@pytest.mark.parametrize("how", MEANS, ids=["noise", "gain", "usual"])
def test_a_plain_mean_holds_the_truth_in_93_to_97_of_100_supplies(how: dict[str, tuple[float, float]]) -> None:
    """What `measure` steps state, what is compared with limits, and by how much a current rose between two of them."""
    rng = np.random.default_rng(11)
    held = np.zeros(3)
    for _ in range(1000):
        supply, n = Drawn(rng, **how), int(rng.integers(20, 60))
        volts, was, now = rng.uniform(1.0, 4.0), rng.uniform(0.05, 0.3), rng.uniform(0.4, 1.5)
        first, second = supply.measured("m", [volts] * 2, np.full(2, volts), np.array([was, now]), n)
        found, u = rise_a((first.current_a, second.current_a), (n, n), supply.conditions)
        held += (
            abs(first.voltage_v.value - volts) <= first.voltage_v.u,
            abs(second.current_a.value - now) <= second.current_a.u,
            abs(found - (now - was)) <= u,
        )
    assert np.all((held >= 930) & (held <= 970)), held
