"""Sleep current: means, wake-ups, battery hours, drift, gaps; and the bins of a long course."""

from __future__ import annotations

import asyncio
import json
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.plans.shelf import shipped as plans
from benchd.procedures.bins import Bin, Bins, course_of, halved, is_course
from benchd.procedures.shelf import shipped
from benchd.procedures.sleep_live import SleepLive
from benchd.procedures.taken import Mean, Measured, Taken
from benchd.reading import Mode
from benchd.traces.samples import Samples
from benchd.traces.trace import Conditions
from tests.procedures.drawn import Drawn
from tests.procedures.hands import T0, FakeHands
from tests.procedures.test_engine import played

SUPPLY = Conditions(resolution_a=1e-4, accuracy_fraction_a=0.001, accuracy_offset_a=0.002)


def samples(amps: np.ndarray, rate: float = 50.0, start_ns: int = T0) -> Samples:
    n = len(amps)
    t_ns = start_ns + (np.arange(n) * 1e9 / rate).astype(np.int64)
    return Samples(t_ns, np.full(n, 4.0), amps, np.full(n, Mode.CV, np.uint8), np.zeros(n, np.uint8))


def sleeper(
    seconds: float, rate: float = 50.0, offset_a: float = 0.0, seed: int = 1, drift_a_per_h: float = 0.0
) -> np.ndarray:
    """1.8 mA asleep, 85 mA for 0.4 s every 20 s: 3.464 mA on average."""
    t_s = np.arange(int(seconds * rate)) / rate
    amps = (
        np.where(np.arange(len(t_s)) % round(20 * rate) < round(0.4 * rate), 0.085, 0.0018 + drift_a_per_h * t_s / 3600)
        + offset_a
    )
    return np.round((amps + np.random.default_rng(seed).normal(0, 1e-4, len(t_s))) / 1e-4) * 1e-4


def watched(amps: np.ndarray, zero_a: float | None = None, **parameters: float) -> SleepLive:
    zero = [] if zero_a is None else [
        Measured("zero", "main", {}, T0, 250, Mean(4.0, 0, 0), Mean(zero_a, 1e-4, 0.002), False, 4.0, 0.1)
    ]  # fmt: skip
    live = SleepLive(
        Taken(
            plans()["phone-cell"].plan, {"wake_a": 0.02, **parameters}, {"main": SUPPLY}, {"main": None}, measured=zero
        )
    )
    live.feed("main", samples(amps))
    return live


def rows(live: SleepLive) -> dict[str, object]:
    return {row.name: row for row in live.analysed().results}


def test_mean_sleep_and_wake_ups() -> None:
    found = rows(watched(sleeper(600), capacity_mah=3000))
    assert found["mean"].value == pytest.approx(0.003464, abs=2e-5)  # type: ignore[attr-defined]
    assert found["asleep"].value == pytest.approx(0.0018, abs=2e-5)  # type: ignore[attr-defined]
    assert found["wakes"].value == pytest.approx(29 * 6, abs=7)  # type: ignore[attr-defined]
    assert found["wakes"].low < 180 < found["wakes"].high  # type: ignore[attr-defined]
    assert found["wake_charge"].value == pytest.approx(0.4 * 0.085, rel=0.05)  # type: ignore[attr-defined]
    assert found["battery"].value == pytest.approx(3.0 / 0.003464, rel=0.02)  # type: ignore[attr-defined]


def test_battery_hours_of_a_worked_example() -> None:
    """Any circuits text: 3000 mAh at 250 mA last 12.0 h."""
    found = rows(watched(np.full(3000, 0.25), capacity_mah=3000))
    assert found["battery"].value == pytest.approx(12.0, rel=1e-3)  # type: ignore[attr-defined]


def test_a_zero_that_was_measured_makes_it_sharper_and_right() -> None:
    without, with_zero = (
        rows(watched(sleeper(600, offset_a=0.0012))),
        rows(watched(sleeper(600, offset_a=0.0012), 0.0012)),
    )
    assert with_zero["mean"].value == pytest.approx(0.003464, abs=3e-5)  # type: ignore[attr-defined]
    assert with_zero["mean"].u < without["mean"].u / 10  # type: ignore[attr-defined]
    assert abs(without["mean"].value - 0.003464) <= without["mean"].u  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("noise_a", "step_a", "fraction", "n"),
    [(1e-3, 1e-6, 1e-6, 100), (3e-5, 1e-6, 0.02, 100), (2e-4, 1e-4, 0.005, 100), (None, 1e-4, 0.001, 300),
     (0.0, 1e-4, 0.001, 100)],
)  # fmt: skip
def test_the_interval_holds_the_truth_in_93_to_97_of_100_supplies(
    noise_a: float | None, step_a: float, fraction: float, n: int
) -> None:
    """A thousand supplies within their accuracy, drawn with one seed: gain and offset wrong, noise, steps; the zero
    measured before by each. None: a noise from 0.05 to 0.4 of a step, drawn for each."""
    rng = np.random.default_rng(9)
    supply = Conditions(resolution_a=step_a, accuracy_fraction_a=fraction, accuracy_offset_a=0.01)
    plan, held = plans()["phone-cell"].plan, 0
    for _ in range(1000):
        gain, offset_a, true_a = 1 + fraction * rng.uniform(-1, 1), 0.01 * rng.uniform(-1, 1), rng.uniform(0.001, 0.004)
        sigma_a = step_a * rng.uniform(0.05, 0.4) if noise_a is None else noise_a
        zero, shown = (
            np.round((gain * level + offset_a + rng.normal(0, sigma_a, n)) / step_a) * step_a for level in (0.0, true_a)
        )
        before = Mean(zero.mean(), zero.std(ddof=1), 0.0)
        measured = [Measured("zero", "main", {}, T0, n, Mean(4.0, 0, 0), before, False, 4.0, 0.1)]
        live = SleepLive(Taken(plan, {"wake_a": 1.0}, {"main": supply}, {"main": None}, measured=measured))
        live.feed("main", samples(shown))
        mean = live.told(T0).values
        held += abs(mean["mean_a"] - true_a) <= mean["u_a"]
    assert 930 <= held <= 970


def test_with_wake_ups_it_counts_where_between_two_readings_they_began() -> None:
    """A wake-up of some tenths of a second, 20 readings a second: each edge is known within half of 1/20 s."""
    rng = np.random.default_rng(2)
    plan, held, t_s = plans()["phone-cell"].plan, 0, np.arange(200) / 20
    for _ in range(1000):
        supply, asleep_a, awake_a = Drawn(rng), rng.uniform(0.001, 0.004), rng.uniform(0.06, 0.12)
        begins_s = np.array([1.0, 4.0, 7.0]) + rng.uniform(0, 1, 3)
        ends_s = begins_s + rng.uniform(0.3, 0.8, 3)
        on = np.any((t_s[:, None] >= begins_s) & (t_s[:, None] < ends_s), axis=1)
        true_a = asleep_a + (awake_a - asleep_a) * float(np.sum(ends_s - begins_s)) / float(t_s[-1])
        zero = supply.measured("zero", [4.0], np.array([4.0]), np.zeros(1), 100)
        live = SleepLive(Taken(plan, {"wake_a": 0.02}, {"main": supply.conditions}, {"main": None}, measured=zero))
        live.feed("main", samples(supply.shows(1, np.where(on, awake_a, asleep_a)), rate=20.0))
        mean = live.told(T0).values
        held += abs(mean["mean_a"] - true_a) <= mean["u_a"]
    assert 930 <= held <= 970


def test_the_interval_of_a_wake_rate_is_the_exact_poisson_one() -> None:
    """F. Garwood, Biometrika 28 (1936) 437: 10 events have 4.795 to 18.39 (from memory of the table)."""
    t_s = np.arange(3600 * 10) / 10
    amps = np.where((t_s % 360 > 100) & (t_s % 360 < 101), 0.085, 0.0018)
    live = watched(np.zeros(1))
    live = SleepLive(Taken(plans()["phone-cell"].plan, {"wake_a": 0.02}, {"main": SUPPLY}, {"main": None}))
    live.feed("main", samples(amps, rate=10))
    wakes = rows(live)["wakes"]
    assert (wakes.low, wakes.high) == (pytest.approx(4.795, abs=0.01), pytest.approx(18.39, abs=0.02))  # type: ignore[attr-defined]


def test_drift_is_told_where_there_is_some() -> None:
    assert "no drift that can be told" in watched(sleeper(1800)).analysed().text
    drifting = rows(watched(sleeper(1800, drift_a_per_h=0.002)))["drift"]
    assert drifting.value == pytest.approx(0.002, rel=0.1)  # type: ignore[attr-defined]
    assert "it rises" in drifting.text  # type: ignore[attr-defined]


def test_it_goes_on_after_a_restart_with_the_gap_told() -> None:
    whole = sleeper(400)
    first = watched(whole[:10000])
    kept = json.loads(json.dumps(first.state()))
    second = SleepLive(Taken(plans()["phone-cell"].plan, {"wake_a": 0.02}, {"main": SUPPLY}, {"main": None}))
    end_ns = T0 + 200 * 10**9
    second.restore(kept, end_ns + 50 * 10**9, end_ns + 3600 * 10**9)  # it was kept 50 s before its last reading
    second.feed("main", samples(whole[10000:], start_ns=end_ns + 3600 * 10**9))
    found = rows(second)
    assert found["mean"].value == pytest.approx(0.003464, abs=5e-5)  # type: ignore[attr-defined]
    assert found["gaps"].value == pytest.approx(3600.02)  # type: ignore[attr-defined]
    assert "One gap of 3600 s: no figure counts that time." in second.analysed().text
    (gap,) = second.analysed().curves[0].gaps
    assert gap == pytest.approx((199.98, 3800.0))
    assert second.told(0).values["seconds"] == pytest.approx(400, abs=0.2)


def test_the_shipped_card_watches_a_board() -> None:
    phase = [0.0]

    def board(set_v: float, limit_a: float, _: float) -> tuple[float, float]:
        phase[0] += 1 / 50
        if limit_a <= 0.1:
            return set_v, 0.0
        return set_v, 0.085 if phase[0] % 20 < 0.4 else 0.0018

    hands = FakeHands({"main": board}, rate=50.0, seed=4)
    hands.answers = {"free": True, "ready": True}
    run = asyncio.run(played(shipped()["sleep-current"].card, hands, hours=0.05, boot_s=5.0)).run
    found = {row.name: row for row in run.results}
    assert run.outcome == "done"
    assert abs(found["mean"].value - 0.003464) <= 2 * found["mean"].u < 2e-4  # type: ignore[operator]
    assert hands.kept[-2][1] is None or "sums" in hands.kept[-2][1]
    assert any(state is not None for _, state in hands.kept)


@given(st.lists(st.floats(-0.01, 2.0), min_size=2, max_size=400), st.floats(0.02, 2.0))
def test_bins_keep_every_extreme_all_readings_and_the_mean(amps: list[float], step_s: float) -> None:
    bins = Bins()
    for n, value in enumerate(amps):
        bins.add(T0 + round(n * step_s * 1e9), value)
    found = bins.all()
    assert sum(each.n for each in found) == len(amps)
    assert min(each.low_a for each in found) == min(amps)
    assert max(each.high_a for each in found) == max(amps)
    assert sum(each.mean_a * each.n for each in found) / len(amps) == pytest.approx(sum(amps) / len(amps), abs=1e-9)
    assert all(one.t1_ns <= other.t0_ns for one, other in pairwise(found))


def test_a_quiet_hour_takes_little_and_a_spike_in_it_stays() -> None:
    bins = Bins()
    for n in range(36000):
        bins.add(T0 + n * 100_000_000, 0.5 if n == 20000 else 0.0018)
    found = bins.all()
    assert len(found) < 80
    assert max(each.high_a for each in found) == 0.5


def test_what_is_on_two_sides_of_a_gap_is_never_joined() -> None:
    bins = Bins([Bin(T0, T0 + 10**9, 10, 0.0018, 0.0018, 0.0018)])
    bins.gap(T0 + 10**9, T0 + 10**11)  # and the first reading comes later than it was said to go on
    for begin_ns in (T0 + 10**12, T0 + 2 * 10**12):
        for n in range(350):
            bins.add(begin_ns + n * 100_000_000, 0.0018 if n // 10 % 2 else 0.3)
    found = bins.all()
    gaps = [(T0 + 10**9, T0 + 10**12), (T0 + 10**12 + 34_900_000_000, T0 + 2 * 10**12)]
    assert bins.gaps == gaps
    assert not any(each.t0_ns < begin and each.t1_ns > begin for each in halved(halved(found)) for begin, _ in gaps)
    curve = course_of(halved(found), bins.gaps)
    assert curve.gaps == ((1.0, 1000.0), (1034.9, 2000.0))
    assert is_course(curve)
    assert sum(curve.weights) == 710


def test_what_is_hardly_anything_but_gaps_becomes_less_all_the_same() -> None:
    bins = Bins()
    for n in range(40):
        bins.add(T0 + n * 6 * 10**9, 0.001 * n)
    assert len(bins.gaps) == 39
    assert [(each.n, each.high_a) for each in halved(bins.all())][:2] == [(2, 0.001), (2, 0.003)]
