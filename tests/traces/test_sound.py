"""Readings that cannot be used, and what is left without them."""

from __future__ import annotations

import dataclasses
import itertools
import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.traces.features import extract
from benchd.traces.line import let_down, make_line
from benchd.traces.samples import Samples
from benchd.traces.signatures import read_trace
from benchd.traces.sound import find_gaps, longest_rise, usable
from benchd.traces.trace import Conditions, Trace
from tests.traces.boards import Board, Curve, Meter, clean_boot, flat, read


def trace_of(t_s: Curve, volts: Curve, amps: Curve, told: Conditions | None = None) -> Trace:
    zero = np.zeros(len(t_s), np.uint8)
    t_ns = np.rint(np.asarray(t_s) * 1e9).astype(np.int64)
    samples = Samples(t_ns, np.asarray(volts, float), np.asarray(amps, float), zero, zero)
    return Trace(samples, 0, told or Conditions())


def test_what_is_no_number_is_left_out_and_counted() -> None:
    """9.9E37 is infinity and 9.91E37 not a number: SCPI-99, volume 1, §7.2.1."""
    amps = np.array([0.1, np.nan, 9.9e37, 0.2, -np.inf, 0.3])
    volts = np.array([4.0, 4.0, 4.0, 4.0, 4.0, 9.91e37])
    kept, sound = usable(trace_of(np.arange(6.0), volts, amps).samples)
    assert kept.current_a.tolist() == [0.1, 0.2]
    assert (sound.given, sound.unreadable, sound.out_of_order, sound.used) == (6, 4, 0, 2)
    assert sound.lost_share == pytest.approx(4 / 6)


def test_one_stamp_far_ahead_costs_one_reading() -> None:
    t = np.arange(10.0)
    t[4] = 1e6
    kept, sound = usable(trace_of(t, t * 0 + 4, t * 0).samples)
    assert sound.out_of_order == 1
    assert len(kept) == 9


@settings(max_examples=60, deadline=None)
@given(st.lists(st.integers(0, 12), max_size=10))
def test_the_longest_rise_against_all_ways_to_choose(times: list[int]) -> None:
    t = np.array(times, np.int64)
    found = longest_rise(t)
    assert np.all(np.diff(t[found]) > 0)
    best = 0
    for mask in range(1 << len(times)):
        part = [x for k, x in enumerate(times) if mask >> k & 1]
        if all(a < b for a, b in itertools.pairwise(part)):
            best = max(best, len(part))
    assert len(found) == best


def test_gaps_are_counted_and_summed() -> None:
    t = np.concatenate([np.arange(10) * 0.1, 3 + np.arange(10) * 0.1, 10 + np.arange(10) * 0.1])
    gaps = find_gaps(t, 0.1)
    assert gaps.how_many == 2
    assert gaps.longest_s == pytest.approx(6.1)
    assert gaps.missing_s == pytest.approx(2.1 + 6.1 - 0.2)


@settings(max_examples=80, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.integers(-(10**10), 10**10),
            st.sampled_from([0.0, 4.0, -3.0, 0.3, float("nan"), 9.91e37, 30.0]),
            st.sampled_from([0.0, 0.002, 0.06, 1.0, -0.5, float("inf"), float("nan")]),
        ),
        max_size=40,
    ),
    st.booleans(),
)
def test_whatever_the_readings_are_there_is_a_finding(rows: list[tuple[int, float, float]], told: bool) -> None:
    t, v, i = (np.array([r[k] for r in rows], float) for k in range(3))
    trace = trace_of(t / 1e9, v, i, Conditions(4.0, 1.0, 0.001) if told else None)
    assert 0 <= read_trace(trace).confidence <= 1


@pytest.mark.parametrize("kind", ["nan", "clock", "twice"])
def test_some_bad_readings_change_nothing_else(kind: str) -> None:
    good = read(clean_boot(np.random.default_rng(4)), Meter(rate=100))
    s = good.samples
    rng = np.random.default_rng(5)
    if kind == "nan":
        amps = np.where(rng.random(len(s)) < 0.05, np.nan, s.current_a)
        bad = dataclasses.replace(s, current_a=amps)
    elif kind == "clock":
        t = s.t_ns.copy()
        t[rng.integers(0, len(s), 20)] -= 7_000_000_000
        bad = dataclasses.replace(s, t_ns=t)
    else:
        bad = s[:]
        bad = Samples(*(np.repeat(getattr(bad, f.name), 2) for f in dataclasses.fields(bad)))
    f = extract(dataclasses.replace(good, samples=bad))
    assert f.line.sound.lost_share > 0
    assert read_trace(dataclasses.replace(good, samples=bad)).signature == "clean-boot"


# ---- voltages that are no short -------------------------------------------------------------------------------------


def test_a_reversed_board_has_no_short() -> None:
    """Its own cell pulls the terminals below zero, the supply is at its limit."""
    t = np.arange(100) * 0.02
    f = extract(trace_of(t, np.full(100, -3.6), np.full(100, 1.0), Conditions(4.0, 1.0, 0.001)))
    assert f.short is None
    assert f.line.reversed.all()


def test_an_offset_below_zero_is_still_a_short() -> None:
    t = np.arange(100) * 0.02
    f = extract(trace_of(t, np.full(100, -0.02), np.full(100, 1.0), Conditions(4.0, 1.0, 0.001)))
    assert f.short is not None
    assert not f.line.reversed.any()


@pytest.mark.parametrize("told", [True, False])
@pytest.mark.parametrize("load_a", [0.25, 0.06])
def test_a_voltage_that_decays_after_a_switch_off_is_no_short(told: bool, load_a: float) -> None:
    """2 mF behind the meter: the board goes on drawing its power until 2.9 V, then a resistance discharges it."""
    dt = 0.002
    t = np.arange(0, 5, dt)
    volts, amps = np.full(len(t), 4.0), np.full(len(t), load_a)
    v = 4.0
    for k in np.flatnonzero(t >= 3.0):
        i = 4 * load_a / v if v > 2.9 else v / (4 / load_a)
        v -= i * dt / 2e-3
        volts[k], amps[k] = v, i
    f = extract(trace_of(t, volts, amps, Conditions(4.0, 1.0, 0.001) if told else None))
    assert f.short is None
    assert f.line.let_down_s == pytest.approx(3.0, abs=0.05)


def test_a_late_short_is_no_switch_off() -> None:
    """The current jumps to the limit while the voltage goes; then the output is switched off and all decays."""
    t = np.arange(400) * 0.01
    volts = np.where(t < 3, 4.0, np.where(t < 3.1, 0.3, 0.3 * np.exp(-(t - 3.1) / 0.2)))
    amps = np.where(t < 3, 0.3, np.where(t < 3.1, 1.0, 0.0))
    f = extract(trace_of(t, volts, amps))
    assert f.short is not None
    assert f.short.at_s == pytest.approx(3.0, abs=0.02)
    assert let_down(t, volts, amps, np.zeros(400, bool), 4.0) is None


def test_an_output_that_never_was_on_has_no_line() -> None:
    t = np.arange(100) * 0.1
    assert len(make_line(trace_of(t, t * 0, t * 0)).t_s) == 0
    assert read_trace(trace_of(t, t * 0, t * 0)).signature == "unclear"


def test_a_finding_of_a_long_fast_trace_comes_soon() -> None:
    """60 s at 1000 readings/s within 20 ms where nothing else runs; of processor time, and more for a busy machine."""
    board = clean_boot(np.random.default_rng(1))
    board.demand_a = np.concatenate([board.demand_a, flat(60, float(board.demand_a[-1]))])[:60_000]
    trace = read(Board(board.demand_a, board.button_s), Meter(rate=1000))
    took = []
    for _ in range(7):
        begun = time.thread_time()
        read_trace(trace)
        took.append(time.thread_time() - begun)
    assert min(took) <= 0.06
