"""How soon a short is cut: against arithmetic, and never exceeded by a supply that is read at such a pace."""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.daemon.power import rule_limits
from benchd.daemon.promise import GUARD_S, Pace, cut_within_s, promise
from benchd.guard.rules import Resolution, Rules
from benchd.plans.plan import Plan
from benchd.reading import Flag, Mode, Reading
from benchd.sim.bench import Channel, Readout
from benchd.sim.board import Kind
from benchd.sim.source import Mode as SourceMode
from benchd.sim.source import Source

SHARP = Resolution(voltage_v=1e-6, current_a=1e-6, noise_v=0.0)
NS = 1_000_000_000


def plan(**more: Any) -> Plan:
    return Plan.model_validate({"name": "phone", "voltage_v": 4.0, "limit_a": 0.5, "harmless_bulk_uf": 100.0, **more})


def test_even_readings_take_n_times_their_interval_and_the_link() -> None:
    """3 readings of 50 ms and 20 ms of delays: 170 ms (N·T + L, derived)."""
    pace = Pace(0.05, 0.05, 0.02 - GUARD_S)
    assert cut_within_s(plan(short_hold_ms=60.0), pace, SHARP, 0.5) == pytest.approx(0.170)


def test_the_sentence_names_rate_time_and_limit() -> None:
    told = promise(plan(), Pace(0.125, 0.125, 0.02), SHARP, 0.5)
    assert told.text == (
        "this supply gives 8 readings/s at its slowest lately: a short is cut within 271 ms; "
        "the limit of 0.5 A holds meanwhile"
    )
    assert (told.cut_within_ms, told.asked_ms, told.kept) == (271.0, None, True)
    assert promise(plan(), Pace(0.125, 0.125, 0.02, measured=False), SHARP, 0.5).text.startswith("by its profile ")


@pytest.mark.parametrize(("asked_ms", "kept"), [(271.0, True), (270.9, False), (100.0, False)])
def test_it_is_held_against_what_the_plan_asks(asked_ms: float, kept: bool) -> None:
    told = promise(plan(cut_within_ms=asked_ms), Pace(0.125, 0.125, 0.02), SHARP, 0.5)
    assert told.kept is kept
    assert told.told()["kept"] is kept
    assert ("cannot be kept" in told.text) is not kept


@pytest.mark.parametrize(
    ("pace", "remedy"),
    [
        (Pace(0.125, 0.130, 0.02), "use a quicker supply, or a lower limit"),
        (Pace(0.020, 0.400, 0.002), "use a quicker supply or relieve this computer"),
        (Pace(0.125, 0.130, 0.02, held_up=True), "use a quicker supply or relieve this computer"),
    ],
)
def test_who_is_slow_says_what_to_do(pace: Pace, remedy: str) -> None:
    assert promise(plan(cut_within_ms=50.0), pace, SHARP, 0.5).text.endswith(f"cannot be kept: {remedy}")


def test_jitter_refresh_and_rests_each_make_it_longer() -> None:
    even = cut_within_s(plan(), Pace(0.02, 0.02, 0.002), SHARP, 0.5)
    assert cut_within_s(plan(), Pace(0.02, 0.05, 0.002), SHARP, 0.5) == pytest.approx(even + 0.03 + 0.04)
    assert cut_within_s(plan(), Pace(0.02, 0.02, 0.002), SHARP, 0.5, rest_s=0.1) == pytest.approx(even + 0.1)
    slow = SHARP._replace(refresh_s=0.1)
    assert cut_within_s(plan(), Pace(0.02, 0.02, 0.002), slow, 0.5) > even + 0.2 - 0.02


@settings(max_examples=300, deadline=None)
@given(
    gaps_s=st.lists(st.floats(0.001, 0.2), min_size=3, max_size=20),
    half_share=st.floats(0.05, 0.5),
    hold_ms=st.floats(0, 300),
    bulk_uf=st.floats(1, 5000),
    limit_a=st.floats(0.1, 5),
    share_of_collapse=st.floats(0.0, 0.98),
    refresh_s=st.sampled_from([0.0, 0.05, 0.3, None]),
    onset_share=st.floats(0, 1),
    noise=st.lists(st.floats(-1, 1), min_size=20, max_size=20),
)
def test_no_short_lasts_longer(
    gaps_s: list[float], half_share: float, hold_ms: float, bulk_uf: float, limit_a: float, share_of_collapse: float,
    refresh_s: float | None, onset_share: float, noise: list[float],
) -> None:  # fmt: skip
    """A short at any moment into a supply that is read at uneven times, shows what was up to its refresh ago, and whose
    voltage comes with noise; judged by the guard's own rules."""
    chosen = plan(short_hold_ms=hold_ms, harmless_bulk_uf=bulk_uf, limit_a=limit_a, limit_hold_ms=0.0)
    resolution = Resolution(0.001, 0.001, 0.002, refresh_s)
    half_s = half_share * min(gaps_s)
    mean_s = sum(gaps_s) / len(gaps_s)
    promised_s = cut_within_s(chosen, Pace(mean_s, max(gaps_s), 2 * half_s), resolution, limit_a)
    rules = Rules(rule_limits(chosen), 4.0, limit_a, resolution, started_ns=NS)
    onset_s = 2.0 + onset_share * max(gaps_s)
    shorted_v = share_of_collapse * chosen.short_voltage_fraction * 4.0
    at_s, n = 1.0, 0
    while at_s - onset_s < 2 * promised_s + 1:
        at_s += gaps_s[n % len(gaps_s)]
        n += 1
        # Taken at the very beginning of the round trip, and of what the supply had a refresh ago.
        shown_s = at_s - half_s - resolution.oldest_s
        if shown_s < onset_s:
            reading = Reading(round(at_s * NS), 4.0, 0.05, Mode.CV, Flag.NONE, round(half_s * NS))
        else:
            volts = shorted_v + noise[n % 20] * 0.003 / 2
            reading = Reading(round(at_s * NS), volts, limit_a, Mode.CC, Flag.NONE, round(half_s * NS))
        verdict = rules.feed(reading)
        if verdict is not None:
            assert verdict.rule in ("short", "reverse")
            assert at_s + half_s + GUARD_S - onset_s <= promised_s + 1e-6
            return
    raise AssertionError(f"not cut at all; promised within {promised_s} s")


@settings(max_examples=40, deadline=None)
@given(
    rate=st.floats(4, 500),
    limit_a=st.sampled_from([0.2, 0.5, 2.0]),
    short_ohm=st.floats(0.01, 0.6),
    bulk_uf=st.sampled_from([10.0, 220.0, 1000.0]),
    after=st.floats(0, 1),
    seed=st.integers(0, 1000),
)
def test_no_short_of_the_simulated_board_lasts_longer(
    rate: float, limit_a: float, short_ohm: float, bulk_uf: float, after: float, seed: int
) -> None:
    """A short across a charged board, by the electrical model of the simulated supply: its capacitor discharges first,
    and each reading is a mean over the last 0.1 ms with noise and steps."""
    chosen = plan(limit_a=limit_a, harmless_bulk_uf=1000.0)
    channel = Channel(Source(4.0, limit_a), Readout(interval_s=1e-4), lead_ohm=0.05, seed=seed)
    channel.over_voltage.enabled = False
    channel.attach(Kind("tried", "", bulk_f=bulk_uf / 1e6, leak_ohm=4.0 / 0.05), 0.0)
    channel.switch(True, 0.0)
    resolution, interval_s = Resolution(0.001, 0.0001, 0.002), 1 / rate
    promised_s = cut_within_s(chosen, Pace(interval_s, interval_s, 2e-4), resolution, limit_a)
    # The promise counts from the collapse. v = IR + (V − IR)·e^(−t/RC) (any circuits text) has fallen to V/2 by then;
    # C with the 100 µF of the supply itself.
    end_v, collapse_v = min(limit_a * (short_ohm + 0.05), 1.9), 2.0
    # And a mean over 0.1 ms shows it half of that later.
    discharge_s = 0.5e-4 + (short_ohm + 0.05) * (bulk_uf + 100) / 1e6 * math.log((4.0 - end_v) / (collapse_v - end_v))
    rules = Rules(rule_limits(chosen), 4.0, limit_a, resolution, started_ns=1)
    onset_s, shorted, at_s = 1.0 + after * interval_s, False, 0.5
    while at_s - onset_s < 2 * promised_s + 1:
        at_s += interval_s
        if at_s >= onset_s and not shorted:
            shorted = True
            channel.advance(onset_s)
            channel.board.short(short_ohm)
            channel.connect(True, onset_s)
        channel.advance(at_s)
        volts, amps = channel.read(at_s)
        mode = Mode.CC if channel.source.mode is SourceMode.CC else Mode.CV
        verdict = rules.feed(Reading(round(at_s * NS), volts, amps, mode, Flag.NONE, 100_000))
        if verdict is not None:
            assert shorted
            assert at_s + 1e-4 + GUARD_S - onset_s <= promised_s + discharge_s
            return
    raise AssertionError(f"not cut at all; promised within {promised_s} s")
