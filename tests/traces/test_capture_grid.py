"""Capture over a slice of the grid of boards and instruments: the share of marks found, their errors, those made up."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.traces.capture import Capture, State, StateChanged, TraceClosed, TraceOpened
from benchd.traces.capture_board import SECOND_NS, Seconds
from benchd.traces.capture_refresh import Refresh
from benchd.traces.noise import NoiseFloor
from benchd.traces.samples import Samples
from tests.traces.capture_grid import MARKS, Meter, Story, Sum, cases, caught, play, read, story

S = 1_000_000_000


@pytest.mark.parametrize(
    ("rate", "count", "false_most"), [(5.0, 48, 0.15), (20.0, 48, 0.06), (200.0, 24, 0.05), (1000.0, 8, 0.0)]
)
def test_marks_are_found_in_time_and_not_made_up(rate: float, count: int, false_most: float) -> None:
    """Floors a little under what the whole grid gives. Marks are as late as the instrument's gaps, of up to 2 s."""
    scores = [play(kind, meter, rng) for kind, meter, rng in cases(rate, count, seed=2)]
    for kind in MARKS:
        total = Sum.of(scores, kind)
        print(f"{rate:g}/s {kind:10} {total}")
        assert total.found >= 0.93 * (total.found + total.missed), kind
        assert total.false <= false_most * count, kind
        if kind in ("connected", "button"):
            assert abs(total.error_s) <= 0.02 + 1.5 / rate, kind
        assert total.within_s <= 1.2, kind


@pytest.mark.parametrize("seed", range(6))
def test_bare_leads_make_no_trace_on_any_instrument(seed: int) -> None:
    rng = np.random.default_rng(seed)
    for rate in (5.0, 50.0, 500.0):
        meter = Meter(rate, float(rng.choice([0.0001, 0.005, 0.01])), 0.003, "uneven", repeats=int(rng.choice([1, 4])))
        told = story("bare", rng)
        events = caught(read(told, meter, rng)[0], meter, told.now_s)
        assert [e.reason for e in events if isinstance(e, TraceClosed)] == ["nothing-drawn"], meter


def test_the_supplys_own_capacitor_is_no_board_and_the_board_comes_later() -> None:
    """1000/s: a spike as the output goes on, bare leads for 6 s, then the clip, 3 s later the button."""
    rng = np.random.default_rng(3)
    told = Story(rng)
    told.clip_on(0.0, 6.0)
    told.clip_on(0.0, 3.0)
    told.boots(0.0, 1.0, 24.0)
    meter = Meter(1000.0, 0.0001, 0.0002)
    events = caught(read(told, meter, rng)[0], meter, told.now_s)
    (one,) = [e for e in events if isinstance(e, TraceClosed)]
    marks = {m.kind: m.t_ns / S for m in one.marks}
    assert marks["connected"] == pytest.approx(6.0, abs=0.01)
    assert marks["button"] == pytest.approx(9.0, abs=0.02)


def test_bare_leads_after_the_supplys_own_capacitor_are_not_called_removed() -> None:
    rng = np.random.default_rng(3)
    told = Story(rng)
    told.clip_on(0.0, 50.0)
    meter = Meter(1000.0, 0.0001, 0.0002)
    events = caught(read(told, meter, rng)[0], meter, told.now_s)
    (one,) = [e for e in events if isinstance(e, TraceClosed)]
    assert one.reason == "nothing-drawn"
    assert "removed" not in [m.kind for m in one.marks]


def test_a_gap_says_nothing_of_removal() -> None:
    """A board that pauses between tries, read with a gap of 7 s after which the first reading falls into a pause."""
    t = np.concatenate([np.arange(1, 150) * 20_000_000, 3 * S + 7 * S + np.arange(1, 100) * 20_000_000])
    amps = np.where(t < 1 * S, 0.0, np.where((t > 10 * S) & (t < 10 * S + S // 2), 0.001, 0.3))
    zero = np.zeros(len(t), np.uint8)
    capture = Capture()
    events = list(capture.output_on(0)) + capture.feed(Samples(t, np.full(len(t), 4.0), amps, zero, zero))
    assert [e for e in events if isinstance(e, TraceClosed)] == []
    assert capture.state in (State.CONNECTED, State.BOOTING)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.integers(1, 3 * S), min_size=1, max_size=300), st.integers(0, 2**32 - 1))
def test_any_spacing_leaves_marks_in_order_and_inside_their_trace(steps: list[int], seed: int) -> None:
    """Readings a nanosecond or three seconds apart, in any order of the two."""
    rng = np.random.default_rng(seed)
    t = np.cumsum(np.array(steps, np.int64))
    amps = np.repeat(rng.choice([0.0, 0.001, 0.05, 0.3, 1.0], len(t)), 10)[: len(t)]
    zero = np.zeros(len(t), np.uint8)
    capture = Capture()
    events = list(capture.output_on(0, 4.0, 2.0)) + capture.feed(Samples(t, np.full(len(t), 4.0), amps, zero, zero))
    events += capture.output_off(int(t[-1]) + 1)
    assert capture.state is State.OFF
    assert np.isfinite(capture.noise_a)
    started = None
    for event in events:
        if isinstance(event, TraceOpened):
            started = event.start_ns
        elif isinstance(event, TraceClosed):
            assert event.start_ns == started
            assert event.start_ns <= event.end_ns <= t[-1] + 1
            assert list(event.marks) == sorted(event.marks, key=lambda m: m.t_ns)
            assert all(event.start_ns <= m.t_ns <= event.end_ns for m in event.marks), event
    times = [e.t_ns for e in events if isinstance(e, StateChanged)]
    assert times == sorted(times)


@given(st.integers(0, 2**32 - 1), st.integers(1, 12), st.sampled_from([5.0, 50.0, 1000.0]))
@settings(max_examples=30, deadline=None)
def test_repeated_readings_count_about_once(seed: int, repeats: int, rate: float) -> None:
    """Noise that never gives the same value twice, each value read `repeats` times: at least half of the readings that
    count are changes, however often the instrument is asked."""
    rng = np.random.default_rng(seed)
    values = np.repeat(rng.normal(0, 1, 60), repeats)
    refresh = Refresh()
    fresh = [refresh.is_new(round(k * S / rate), v) for k, v in enumerate(values)]
    after = fresh[10 * repeats :]
    assert 50 <= sum(after) <= 2 * 50 + 2


@pytest.mark.parametrize("sigma_steps", [0.4, 0.6, 1.0, 3.0])
def test_noise_of_a_coarse_instrument_is_not_nought(sigma_steps: float) -> None:
    """Rounding adds step²/12 to the variance (Sheppard's correction; any text on statistics)."""
    x = np.rint(np.random.default_rng(1).normal(0, sigma_steps, 3000)) * 0.01
    floor = NoiseFloor(0.01)
    for k, value in enumerate(x):
        if not floor.ready:
            floor.warm_up(k * 10_000_000, float(value))
        else:
            floor.add(float(value))
    assert floor.sigma_a == pytest.approx(0.01 * np.sqrt(sigma_steps**2 + 1 / 12), rel=0.35)


def test_one_wild_reading_is_no_noise() -> None:
    rng = np.random.default_rng(1)
    floor = NoiseFloor(0.0001)
    for k in range(600):
        value = 1.5 if k % 50 == 7 else float(rng.normal(0, 0.001))
        if floor.ready:
            floor.add(value)
        else:
            floor.warm_up(k * 10_000_000, value)
    assert floor.sigma_a < 0.0025


def seconds(means: list[float]) -> Seconds:
    made = Seconds(0)
    for k, mean in enumerate(means):
        made.ended.append(((k + 1) * SECOND_NS, mean))
    return made


def test_settled_with_bursts_is_settled_and_a_loop_or_a_board_at_work_is_not() -> None:
    idle = [0.2, 0.21, 0.2, 0.19, 0.2, 0.2, 0.38, 0.2, 0.2, 0.21, 0.2, 0.2, 0.19, 0.35, 0.2]
    assert seconds(idle).stable_since(0.25, 0.01) is not None
    loop = [0.001, 0.001, 0.001, 0.3, 0.001, 0.001, 0.001, 0.001, 0.001, 0.3, 0.001, 0.001, 0.001, 0.001, 0.001]
    assert seconds(loop).stable_since(0.25, 0.01) is None
    stairs = [0.3] * 8 + [0.4] * 7
    assert seconds(stairs).stable_since(0.25, 0.01) is None
    assert seconds([0.2, 0.2]).stable_since(0.25, 0.01) is None


def test_what_had_not_settled_yet_is_left_out_of_settled() -> None:
    """Two seconds of work, then idle: it began in the third of fifteen, about its middle."""
    assert seconds([0.5, 0.36] + [0.2] * 13).stable_since(0.25, 0.01) == pytest.approx(1.5 * SECOND_NS)


def test_a_start_that_ends_by_itself_gets_its_button() -> None:
    """No capacitors were seen charging (the board was on the leads before): 0.7 s of 60 mA, and nothing again."""
    rng = np.random.default_rng(5)
    told = Story(rng)
    told.goes_on(np.zeros(3000))
    told.goes_on(np.full(700, 0.06))
    told.goes_on(np.zeros(4000))
    for rate in (20.0, 200.0, 1000.0):
        meter = dataclasses.replace(Meter(rate, 0.0001, 0.0002))
        events = caught(read(told, meter, rng)[0], meter, told.now_s)
        (one,) = [e for e in events if isinstance(e, TraceClosed)]
        marks = {m.kind: m.t_ns / S for m in one.marks}
        assert marks["button"] == pytest.approx(3.0, abs=2.5 / rate)
