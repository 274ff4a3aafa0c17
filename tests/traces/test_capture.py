"""Capture over the boards of `boards.py`, at many rates, and its rules one by one."""

from __future__ import annotations

import dataclasses
import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.reading import Mode
from benchd.traces.capture import Capture, CaptureConfig, Marked, State, StateChanged, TraceClosed, TraceOpened
from benchd.traces.samples import Samples
from benchd.traces.signatures import read_trace
from benchd.traces.trace import Trace
from tests.traces import boards
from tests.traces.boards import Board, Meter, busy, flat, inrush, read

S = 1_000_000_000
RATES = (5.0, 20.0, 100.0, 1000.0)


def run(
    samples: Samples, capture: Capture | None = None, block: int = 7, off_s: float | None = None
) -> tuple[Capture, list]:
    """Switch on at 0, feed in blocks, switch off at the end (or at off_s)."""
    capture = capture or Capture()
    events = list(capture.output_on(0, 4.0, 2.0))
    for k in range(0, len(samples), block):
        events += capture.feed(samples[k : k + block])
    end_ns = round(off_s * S) if off_s is not None else int(samples.t_ns[-1]) + 1
    return capture, events + capture.output_off(end_ns, "operator")


def closed(events: list) -> list[TraceClosed]:
    return [e for e in events if isinstance(e, TraceClosed)]


def states(events: list) -> list[str]:
    return [str(e.state) for e in events if isinstance(e, StateChanged)]


def board_of(*parts: np.ndarray) -> Board:
    return Board(np.concatenate(parts))


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("resolution", [0.0001, 0.001, 0.01])
@pytest.mark.parametrize("told", [True, False])
def test_a_boot_is_one_trace_with_pre_roll_and_button(rate: float, resolution: float, told: bool) -> None:
    board = boards.clean_boot(np.random.default_rng(3))
    demand = np.concatenate([flat(4.0, 0.0), board.demand_a, flat(14.0, 0.25)])
    button_s = 4.0 + board.button_s
    trace = read(Board(demand), Meter(rate=rate, resolution_a=resolution))
    config = CaptureConfig(resolution_a=resolution if told else None)
    _, events = run(trace.samples, Capture(config))
    (one,) = closed(events)
    assert one.reason == "settled"
    assert one.start_ns / S == pytest.approx(button_s - 2.0, abs=0.3 + 2 / rate)
    assert one.end_ns / S > button_s + 20
    pressed = [m.t_ns / S for m in one.marks if m.kind == "button"]
    assert pressed == [pytest.approx(button_s, abs=1.3 + 2 / rate)]
    assert states(events) == ["waiting", "connected", "booting", "settled", "off"]


@pytest.mark.parametrize("rate", RATES)
def test_a_leak_opens_the_trace_and_the_button_is_the_rise(rate: float) -> None:
    board = board_of(
        flat(3.0, 0.0), inrush(flat(6.0, 0.045)), busy(np.random.default_rng(1), 6.0, 0.5, 0.2), flat(3, 0.0)
    )
    trace = read(board, Meter(rate=rate))
    _, events = run(trace.samples)
    (one,) = closed(events)
    marks = {m.kind: m.t_ns / S for m in one.marks}
    assert marks["connected"] == pytest.approx(3.0, abs=0.05 + 2 / rate)
    assert marks["button"] == pytest.approx(9.0, abs=0.1 + 2 / rate)
    assert one.start_ns / S == pytest.approx(1.0, abs=0.05 + 2 / rate)
    assert one.reason == "off"


@pytest.mark.parametrize("rate", RATES)
def test_current_at_once_begins_the_trace_when_the_output_came_on(rate: float) -> None:
    trace = read(board_of(inrush(flat(8.0, 0.06))), Meter(rate=rate))
    _, events = run(trace.samples)
    (one,) = closed(events)
    assert one.start_ns == 0
    assert not [m for m in one.marks if m.kind == "button"]


@pytest.mark.parametrize("rate", RATES)
def test_a_loop_whose_pauses_fall_to_nothing_is_not_chopped(rate: float) -> None:
    tries = [x for _ in range(6) for x in (flat(2.0, 0.3), flat(4.0, 0.0))]
    trace = read(board_of(flat(2.0, 0.0), *tries), Meter(rate=rate))
    _, events = run(trace.samples)
    assert [c.reason for c in closed(events)] == ["off"]


@pytest.mark.parametrize("rate", RATES)
def test_a_board_taken_away_ends_the_trace_and_the_next_one_gets_its_own(rate: float) -> None:
    one = [flat(1.5, 0.08), busy(np.random.default_rng(4), 3.0, 0.4, 0.1)]
    trace = read(board_of(flat(3.0, 0.0), *one, flat(9.0, 0.0), *one, flat(9.0, 0.0)), Meter(rate=rate))
    _, events = run(trace.samples)
    first, second = closed(events)
    assert (first.reason, second.reason) == ("removed", "removed")
    assert first.end_ns / S == pytest.approx(3 + 4.5 + 5, abs=0.2 + 2 / rate)
    assert second.start_ns / S == pytest.approx(3 + 4.5 + 9 - 2, abs=0.2 + 2 / rate)
    assert second.start_ns > first.end_ns


@pytest.mark.parametrize("rate", RATES)
def test_a_brief_kick_is_filed_with_the_nothing_after_it_limited(rate: float) -> None:
    trace = read(board_of(flat(3.0, 0.0), flat(0.8, 0.06), flat(40.0, 0.0)), Meter(rate=rate))
    _, events = run(trace.samples)
    (one,) = closed(events)
    assert one.reason == "removed"
    assert one.end_ns / S == pytest.approx(3.8 + 5.0, abs=0.2 + 2 / rate)


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("noise", [0.0001, 0.003])
def test_nothing_drawn_between_on_and_off_is_filed_and_reads_as_no_draw(rate: float, noise: float) -> None:
    trace = read(board_of(flat(12.0, 0.0)), Meter(rate=rate, noise_a=noise))
    _, events = run(trace.samples)
    (one,) = closed(events)
    assert (one.start_ns, one.reason) == (0, "nothing-drawn")
    assert (
        read_trace(Trace(trace.samples.between(one.start_ns, one.end_ns + 1), 0, trace.conditions)).signature
        == "no-draw"
    )


def test_nothing_drawn_for_less_than_a_second_is_not_filed() -> None:
    trace = read(board_of(flat(0.9, 0.0)), Meter(rate=100))
    _, events = run(trace.samples)
    assert closed(events) == []
    assert states(events) == ["waiting", "off"]


def test_nothing_more_is_filed_at_off_after_a_trace_of_the_same_output() -> None:
    trace = read(board_of(flat(2.0, 0.0), flat(2.0, 0.1), flat(20.0, 0.0)), Meter(rate=50))
    _, events = run(trace.samples)
    assert [c.reason for c in closed(events)] == ["removed"]


def test_hand_mark_of_the_button_begins_a_trace_even_if_nothing_moves() -> None:
    capture = Capture()
    trace = read(board_of(flat(8.0, 0.0)), Meter(rate=50))
    events = list(capture.output_on(0))
    events += capture.feed(trace.samples.between(0, 4 * S))
    events += capture.mark("button", 4 * S)
    assert capture.state is State.BOOTING
    assert capture.open_trace_start_ns == 2 * S
    events += capture.feed(trace.samples.between(4 * S, 9 * S))
    events += capture.output_off(9 * S)
    (one,) = closed(events)
    assert one.reason == "nothing-drawn"
    assert [(m.kind, m.by) for m in one.marks] == [("button", "hand"), ("off", "guard")]


def test_after_settling_only_removal_and_reconnection_begin_another_trace() -> None:
    boot = [flat(1.5, 0.08), busy(np.random.default_rng(4), 5.0, 0.5, 0.2)]
    awake = [flat(20.0, 0.25), flat(5.0, 0.5), flat(10.0, 0.25)]
    trace = read(board_of(flat(3.0, 0.0), *boot, *awake, flat(7.0, 0.0), *boot), Meter(rate=50))
    _, events = run(trace.samples)
    first, second = closed(events)
    assert first.reason == "settled"
    assert second.start_ns / S == pytest.approx(3 + 6.5 + 35 + 7 - 2, abs=0.3)


def test_an_open_trace_ends_at_its_greatest_length_and_a_waiting_board_is_not_missed() -> None:
    config = CaptureConfig(longest_s=20.0)
    board = board_of(inrush(flat(60.0, 0.045)), busy(np.random.default_rng(4), 5.0, 0.5, 0.2))
    _, events = run(read(board, Meter(rate=50)).samples, Capture(config))
    first, second = closed(events)
    assert first.reason == "time"
    assert second.start_ns / S == pytest.approx(58.0, abs=0.2)
    assert "button" in [m.kind for m in second.marks]


def test_a_trip_closes_with_the_readings_that_led_to_it() -> None:
    capture = Capture()
    demand = flat(1.0, 0.0)
    short = np.where(np.arange(1000) >= 900, 0.1, 0.0)
    samples = read(Board(demand, short_ohm=short), Meter(rate=1000, tell_mode=True)).samples
    events = list(capture.output_on(0, 4.0, 2.0)) + capture.feed(samples) + capture.tripped(995_000_000)
    (one,) = closed(events)
    assert one.reason == "tripped"
    assert one.end_ns >= int(samples.t_ns[-1])
    assert "tripped" in [m.kind for m in one.marks]
    assert capture.state is State.OFF
    assert capture.output_off(2 * S) == []


def test_a_trip_before_any_reading_is_filed_too() -> None:
    capture = Capture()
    capture.output_on(S, 4.0, 1.0)
    (one,) = closed(capture.tripped(S + 5_000_000))
    assert (one.start_ns, one.reason) == (S, "tripped")


def test_limited_current_is_a_board_even_when_it_is_small() -> None:
    capture = Capture(CaptureConfig(resolution_a=0.01))
    n = 4
    t = np.arange(1, n + 1) * 10_000_000
    samples = Samples(t, np.full(n, 0.02), np.full(n, 0.01), np.full(n, Mode.CC, np.uint8), np.zeros(n, np.uint8))
    events = list(capture.output_on(0, 4.0, 0.01)) + capture.feed(samples)
    assert any(isinstance(e, TraceOpened) for e in events)


def test_a_hundred_seconds_of_noise_open_no_trace() -> None:
    for noise, seed in ((0.0005, 1), (0.002, 2), (0.005, 3)):
        trace = read(board_of(flat(100.0, 0.0)), Meter(rate=200, noise_a=noise, resolution_a=0.0001), seed)
        capture = Capture()
        events = list(capture.output_on(0)) + capture.feed(trace.samples)
        assert states(events) == ["waiting"], noise
        # MAD of a normal distribution gives back its standard deviation.
        assert capture.noise_a == pytest.approx(noise, rel=0.5)


def test_readings_while_off_or_out_of_order_are_passed_over() -> None:
    capture = Capture()
    samples = read(board_of(flat(1.0, 0.5)), Meter(rate=50)).samples
    assert capture.feed(samples) == []
    capture.output_on(0)
    capture.feed(samples)
    assert capture.feed(samples) == []


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(st.sampled_from(["on", "off", "trip", "button", "connected", "removed", "feed"]), st.floats(0, 1.5)),
        max_size=40,
    ),
    st.sampled_from([5.0, 50.0]),
)
def test_events_always_pair_up(steps: list[tuple[str, float]], rate: float) -> None:
    """Whatever happens in whatever order: a trace is opened before it is closed, never two at once, and ends after it
    began."""
    capture, t_ns = Capture(CaptureConfig(longest_s=20, settle_s=3, removal_s=1)), 0
    events: list = []
    for what, level in steps:
        if what == "feed":
            n = int(2 * rate)
            times = t_ns + (np.arange(n) + 1) * round(S / rate)
            t_ns = int(times[-1])
            zero = np.zeros(n, np.uint8)
            events += capture.feed(Samples(times, np.full(n, 4.0), np.full(n, level), zero, zero))
        else:
            t_ns += S // 2
            if what in ("button", "connected", "removed"):
                events += capture.mark(what, t_ns)  # type: ignore[arg-type]
            else:
                call = {"on": capture.output_on, "off": capture.output_off, "trip": capture.tripped}[what]
                events += call(t_ns)
    open_start = None
    for event in events:
        if isinstance(event, TraceOpened):
            assert open_start is None
            open_start = event.start_ns
        elif isinstance(event, Marked):
            assert open_start is not None
        elif isinstance(event, TraceClosed):
            assert event.start_ns == open_start
            assert event.end_ns >= event.start_ns
            open_start = None
    assert capture.open_trace_start_ns == open_start
    assert (capture.state is State.OFF) <= (open_start is None)


def test_a_reading_costs_little() -> None:
    trace = read(boards.clean_boot(np.random.default_rng(5)), dataclasses.replace(Meter(), rate=1000.0))
    capture = Capture()
    capture.output_on(0)
    began = time.process_time()
    for k in range(0, len(trace.samples), 20):
        capture.feed(trace.samples[k : k + 20])
    each = (time.process_time() - began) / len(trace.samples)
    print(f"{each * 1e6:.2f} µs a reading")
    # Generous: the machine may be busy. The budget is 5 µs.
    assert each < 30e-6
