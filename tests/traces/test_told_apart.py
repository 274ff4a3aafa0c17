"""Traces that look like another at first sight, each with what tells it."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from benchd.traces.features import extract
from benchd.traces.line import noise_sigma
from benchd.traces.samples import Samples
from benchd.traces.signatures import read_trace
from benchd.traces.trace import Conditions, Finding, Mark, Trace
from tests.traces.boards import GRID_S, Board, Curve, Meter, boot, busy, flat, inrush, read

RNG = np.random.default_rng


def trace_of(t_s: Curve, volts: Curve, amps: Curve, told: Conditions | None = None, *marks: Mark) -> Trace:
    zero = np.zeros(len(t_s), np.uint8)
    samples = Samples(np.rint(t_s * 1e9).astype(np.int64), volts, amps, zero, zero)
    return Trace(samples, 0, told or Conditions(), marks)


def shorted(before: Curve, seconds: float = 1.0, ohm: float = 0.05, **meter: object) -> Finding:
    """The finding on a short that follows `before`; no button is told."""
    demand = np.concatenate([before, flat(seconds, 0.0)])
    short = np.where(np.arange(len(demand)) >= len(before), ohm, 0.0)
    return read_trace(read(Board(demand, short_ohm=short), Meter(rate=100, **meter)))  # type: ignore[arg-type]


# ---- shorts ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("open_s", [0.0, 1.5])
@pytest.mark.parametrize("told", [True, False])
def test_a_supply_that_lets_its_voltage_down_slowly_still_shows_a_dead_short(open_s: float, told: bool) -> None:
    """The current is at the limit at once; the voltage needs 0.3 s to get below a quarter of its setting."""
    t = np.arange(0, open_s + 3, 0.01)
    since = t - open_s
    amps = np.where(since >= 0, 1.0, 0.0)
    volts = np.where(since >= 0, 0.1 + 3.9 * np.exp(-np.maximum(since, 0) / 0.2), 4.0)
    f = read_trace(trace_of(t, volts, amps, Conditions(4.0, 1.0, 0.001) if told else None))
    assert f.signature == "dead-short"
    assert f.button_s is None


@pytest.mark.parametrize("offset", [-0.004, 0.004, 0.005])
def test_the_zero_of_the_meter_is_no_board_before_the_short(offset: float) -> None:
    assert shorted(flat(2, 0.0), offset_a=offset).signature == "dead-short"


@pytest.mark.parametrize(
    "before",
    [
        pytest.param(np.concatenate([flat(1.5, 0.0), flat(3, 0.002)]), id="a stand-by current sets in"),
        pytest.param(np.concatenate([flat(1.5, 0.0), flat(0.03, 0.8), flat(3, 0.0)]), id="capacitors charge"),
        pytest.param(flat(3, 0.015), id="a stand-by current flows"),
    ],
)
def test_a_board_that_was_fine_with_the_voltage_up_has_no_dead_short(before: Curve) -> None:
    f = shorted(before, resolution_a=0.0001, noise_a=0.0003)
    assert f.signature == "late-short"


def test_a_short_after_an_open_line_is_called_with_reserve() -> None:
    """The clip or the button: nothing tells."""
    f = shorted(flat(3, 0.0))
    assert f.signature == "dead-short"
    assert 0.6 <= f.confidence <= 0.85
    assert "late-short" in [a.signature for a in f.alternatives]


@pytest.mark.parametrize("told", [True, False])
def test_the_mark_of_the_guard_is_evidence_with_four_readings(told: bool) -> None:
    t = np.array([0.0, 0.02, 0.04, 0.06, 0.08, 0.10])
    volts, amps = np.array([0.2, 0.21, 0.2, 0.2, 0.0, 0.0]), np.array([0.97, 1.0, 1.0, 1.0, 0.0, 0.0])
    conditions = Conditions(4.0, 1.0, 0.001) if told else None
    marked = read_trace(trace_of(t, volts, amps, conditions, Mark("tripped", 70_000_000, "guard")))
    without = read_trace(trace_of(t, volts, amps, conditions))
    assert marked.signature == "dead-short"
    assert marked.confidence >= 0.9
    assert marked.confidence >= without.confidence
    assert any(e.quantity == "trip" and e.value == 0.07 for e in marked.evidence)
    assert marked.button_s is None


def test_a_trip_that_fell_between_readings_is_not_called_no_draw() -> None:
    trace = read(Board(flat(6, 0.0)), Meter())
    assert read_trace(trace).signature == "no-draw"
    tripped = dataclasses.replace(trace, marks=(Mark("tripped", 5 * 10**9, "guard"),))
    assert read_trace(tripped).signature == "unclear"


def test_a_reading_on_the_way_down_is_not_taken_for_the_setting() -> None:
    """Nothing is told, and one reading of the falling voltage comes before the short."""
    t = np.arange(8) * 0.05
    volts, amps = np.array([2.4, *[0.75] * 7]), np.full(8, 2.0)
    trace = trace_of(t, volts, amps)
    assert extract(trace).line.set_v is None
    assert read_trace(trace).signature == "dead-short"


# ---- the button -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("signature", ["dead-short", "no-draw"])
def test_no_button_is_made_up_where_there_is_none_to_see(signature: str) -> None:
    if signature == "dead-short":
        f = shorted(flat(2, 0.0))
    else:
        f = read_trace(read(Board(np.concatenate([flat(2, 0.0), flat(0.05, 0.6), flat(8, 0.0)])), Meter(rate=20)))
    assert f.signature == signature
    assert f.button_s is None


def test_a_button_by_hand_is_kept_where_nothing_follows() -> None:
    assert read_trace(read(Board(flat(8, 0.0), button_s=3.0), Meter())).button_s == 3.0


def test_nothing_drawn_says_less_while_nobody_marked_a_button() -> None:
    pressed = read_trace(read(Board(flat(8, 0.0), button_s=3.0), Meter()))
    not_told = read_trace(read(Board(flat(8, 0.0)), Meter()))
    assert pressed.signature == not_told.signature == "no-draw"
    assert not_told.confidence < 0.9 < pressed.confidence
    assert any("was it pressed?" in e.text for e in not_told.evidence)


def test_a_charging_spike_in_a_long_trace_is_not_the_button() -> None:
    """The levels of 240 s are searched in steps of 0.8 s; one spike lifts the whole of a step."""
    demand = np.concatenate([flat(1, 0.0), flat(0.04, 1.8), flat(6, 0.0), boot(RNG(3), idle_s=230)])
    f = read_trace(read(Board(demand), Meter(rate=200)))
    assert f.signature == "clean-boot"
    assert f.button_s == pytest.approx(7.04, abs=0.3)


def test_two_rungs_and_then_flat_are_one_start() -> None:
    """0, 0.1 A for 2.5 s, 0.35 A to the end: two rungs of a stall, or a leak that the button adds to."""
    f = read_trace(read(Board(np.concatenate([flat(3, 0.0), flat(2.5, 0.1), flat(20, 0.35)])), Meter(rate=50)))
    assert f.signature == "unclear"
    assert {a.signature for a in f.alternatives} == {"mid-stall", "early-leak"}
    assert f.button_s == pytest.approx(3.0, abs=0.1)


# ---- leaks ----------------------------------------------------------------------------------------------------------


def test_a_first_rung_after_a_stand_by_current_is_no_leak() -> None:
    """20 mA at 19 V show that the board was connected, so the first rise is the button."""
    demand = np.concatenate([flat(4, 0.02), flat(2.5, 0.15), flat(20, 0.4)])
    f = read_trace(read(Board(demand), Meter(rate=50, set_voltage_v=19.0)))
    assert f.signature == "mid-stall"
    assert f.button_s == pytest.approx(4.0, abs=0.1)


def test_a_try_that_ended_is_no_leak() -> None:
    """0.29 A flat for 2.5 s, nothing for a moment, then work: not the leak of a board that is then started."""
    work = [busy(RNG(1), 10, 0.5, 0.1), busy(RNG(2), 10, 0.25, 0.01)]
    f = read_trace(read(Board(np.concatenate([flat(3, 0.0), flat(2.5, 0.29), flat(0.3, 0.0), *work])), Meter(rate=20)))
    assert f.signature in ("unclear", "clean-boot")
    assert f.confidence <= 0.7
    assert f.button_s == pytest.approx(3.0, abs=0.1)


def test_two_tries_are_not_yet_a_loop() -> None:
    demand = np.concatenate([flat(3, 0.0), flat(6, 0.4), flat(4, 0.0), flat(6, 0.4), flat(4, 0.0)])
    f = read_trace(read(Board(demand), Meter(rate=50)))
    assert f.signature == "unclear"
    assert f.alternatives[0].signature == "boot-loop"


def test_a_leak_that_drifts_is_one_leak_up_to_the_marked_button() -> None:
    """It grows by 5 mA shortly before the button: what is measured is not only the last 0.3 s."""
    demand = np.concatenate([flat(2.7, 0.300), flat(20, 0.306)])
    f = read_trace(read(Board(demand, button_s=3.0), Meter(rate=20, noise_a=0.0003, resolution_a=0.0005)))
    assert f.signature == "early-leak"


def test_a_boot_whose_first_rung_is_not_quite_flat_is_no_leak() -> None:
    """Two seconds at 0.37 A that scatter by 3 %, with hardly any quiet before."""
    demand = np.concatenate([flat(1, 0.0), busy(RNG(5), 2.2, 0.37, 0.02, 0.1), boot(RNG(6), 1.3, idle_s=30)])
    assert read_trace(read(Board(demand), Meter(rate=20))).signature == "clean-boot"


def test_a_leak_that_stays_in_the_pauses_of_a_loop_is_a_leak() -> None:
    """0.12 A from the clip on, to which each try adds."""
    one = np.concatenate([flat(2, 0.5), flat(2, 0.12)])
    demand = np.concatenate([flat(1.5, 0.0), flat(4, 0.12), *[one] * 5])
    f = read_trace(read(Board(demand), Meter(rate=50)))
    assert f.signature == "early-leak"
    assert f.button_s == pytest.approx(5.5, abs=0.1)


def test_a_leak_ends_where_work_begins_in_many_short_levels() -> None:
    """No level of the boot lasts 0.15 s, and none is like the leak."""
    rng = RNG(9)
    demand = np.concatenate([flat(4, 0.3), *[flat(0.1, a) for a in rng.uniform(0.5, 1.5, 120)], flat(6, 0.5)])
    f = read_trace(read(Board(demand), Meter(rate=50)))
    assert f.signature == "early-leak"
    assert f.button_s == pytest.approx(4.0, abs=0.1)


# ---- loops, stalls and nothing --------------------------------------------------------------------------------------


@pytest.mark.parametrize("rate", [20.0, 100.0, 1000.0])
def test_short_pauses_make_a_loop_too(rate: float) -> None:
    """1.2 s a try, of which 0.17 s are the pause."""
    one = np.concatenate([np.linspace(0.3, 1.2, 1030), flat(0.17, 0.06)])
    f = read_trace(read(Board(np.concatenate([flat(2, 0.001), *[one] * 8]), button_s=2.0), Meter(rate=rate)))
    assert f.signature == "boot-loop"
    assert next(e for e in f.evidence if e.quantity == "period").value == pytest.approx(1.2, rel=0.05)


def test_uneven_tries_of_one_height_are_a_loop_and_no_loose_contact() -> None:
    rng = RNG(12)
    tries = [np.concatenate([flat(0.9 * k, 0.37), flat(0.35 * k, 0.0)]) for k in rng.normal(1, 0.13, 9)]
    f = read_trace(read(Board(np.concatenate([flat(2, 0.001), *tries])), Meter(rate=500, noise_a=0.0005)))
    assert f.signature == "boot-loop"


def test_a_loop_after_a_charging_spike_begins_at_the_button() -> None:
    one = np.concatenate([busy(RNG(7), 3.5, 0.6, 0.2), flat(2.2, 0.0)])
    demand = np.concatenate([flat(1, 0.0), flat(0.03, 2.5), flat(6, 0.0), *[one] * 9])
    f = read_trace(read(Board(demand), Meter(rate=20)))
    assert f.signature == "boot-loop"
    assert f.button_s == pytest.approx(7.03, abs=0.3)


def test_regular_spells_late_in_a_boot_are_no_loop() -> None:
    spell = np.concatenate([busy(RNG(20), 2.0, 0.8, 0.1), busy(RNG(21), 2.2, 0.25, 0.05)])
    demand = np.concatenate([flat(3, 0.001), busy(RNG(22), 10, 0.25, 0.05), *[spell] * 3])
    assert read_trace(read(Board(demand, button_s=3.0), Meter(rate=100))).signature != "boot-loop"


def test_noise_on_coarse_steps_is_no_loop() -> None:
    """Readings of 0 and 10 mA in a pattern that happens to repeat itself."""
    t = np.arange(96) / 8
    amps = np.where(np.arange(96) % 10 < 4, 0.01, 0.0)
    f = read_trace(trace_of(t, np.full(96, 4.0), amps, Conditions(4.0, 0.5, 0.01), Mark("button", 2 * 10**9, "hand")))
    assert f.signature == "no-draw"


LENGTHS = (1.15, 1.2, 0.85, 0.85, 0.95)


def test_tries_that_are_unlike_inside_are_a_loop() -> None:
    """Lengths and insides differ so much that their autocorrelation stays low; that they fall to the floor tells."""
    rng = RNG(3)
    tries = [np.concatenate([busy(rng, 17 * k, 0.15, 0.1, 0.8), flat(4 * k, 0.01)]) for k in LENGTHS]
    f = read_trace(read(Board(np.concatenate([flat(3, 0.01), *tries])), Meter(rate=50, set_voltage_v=19.0)))
    assert f.signature == "boot-loop"


def test_dropouts_are_seen_between_readings_that_are_means() -> None:
    """Each dropout begins and ends within a reading, which then shows a part of the current."""
    demand = np.concatenate([flat(2, 0.001), boot(RNG(2), 1.3)])
    for at in np.linspace(5000, len(demand) - 4000, 8).astype(int):
        demand[at // 10 * 10 + 2 : at // 10 * 10 + 358] = 0.0
    f = read_trace(read(Board(demand, button_s=2.0), Meter(rate=100, jitter=0.0)))
    assert f.signature == "loose-contact"


def test_a_low_stall_may_begin_with_a_higher_kick() -> None:
    demand = np.concatenate([flat(3, 0.001), flat(0.45, 0.35), flat(20, 0.055)])
    assert read_trace(read(Board(demand), Meter(rate=50))).signature == "low-stall"


def test_a_slow_reading_of_charging_at_the_limit_is_no_sag() -> None:
    """At 5 readings/s the spike at output-on fills a reading of 0.2 s with the limit."""
    demand = np.concatenate([flat(0.2, 3.0), flat(5, 0.003), flat(0.6, 0.15), flat(20, 0.07)])
    f = read_trace(read(Board(demand), Meter(rate=5, jitter=0.0, limit_a=2.0)))
    assert f.signature == "low-stall"


@pytest.mark.parametrize("volts", [1.0, 1.2])
def test_a_short_behind_long_leads_is_still_a_short(volts: float) -> None:
    """At the limit, with less than a third of 4 V left."""
    t = np.arange(0, 3, 0.01)
    f = read_trace(trace_of(t, np.full(300, volts), np.full(300, 5.0), Conditions(4.0, 5.0, 0.001)))
    assert f.signature == "dead-short"


def test_one_reading_of_charging_at_ten_readings_a_second_is_nothing() -> None:
    demand = np.concatenate([flat(1.5, 0.0), flat(0.03, 1.5), flat(10, 0.0)])
    f = read_trace(read(Board(demand), Meter(rate=10, jitter=0.0)))
    assert f.signature == "no-draw"
    assert f.confidence < 0.9


# ---- noise ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("sigma", [0.0005, 0.002])
def test_the_noise_is_found_where_a_board_is_at_work_most_of_the_time(sigma: float) -> None:
    """A tenth is quiet; the rest scatters by some 10 %."""
    rng = RNG(1)
    current = np.concatenate([np.zeros(300), 0.6 + 0.06 * rng.standard_normal(2700)]) + rng.normal(0, sigma, 3000)
    assert noise_sigma(current) == pytest.approx(sigma, rel=0.25)


def test_white_noise_alone_is_not_made_smaller() -> None:
    found = [noise_sigma(RNG(k).normal(0, 0.001, n)) for k in range(40) for n in (400, 5000)]
    assert np.mean(found) == pytest.approx(0.001, rel=0.06)
    assert min(found) > 0.0007


def test_noise_of_which_the_negative_half_is_cut_off() -> None:
    """The positive half of a normal distribution has the root mean square of the whole."""
    current = np.maximum(RNG(2).normal(0, 0.005, 700), 0)
    assert noise_sigma(current, 0.001) == pytest.approx(0.005, rel=0.2)
    f = read_trace(trace_of(np.arange(700) / 8, np.full(700, 4.0), np.rint(current * 1e3) / 1e3))
    assert f.signature == "no-draw"


def test_a_leak_behind_clipped_noise_is_still_seen() -> None:
    noise = RNG(3).normal(0, 0.003, 1200)
    t = np.arange(1200) / 50
    amps = np.maximum(np.where(t > 2, 0.08, 0.0) + noise, 0)
    amps = np.where(t > 10, amps + 0.3 + 0.1 * np.sin(9 * t), amps)
    assert read_trace(trace_of(t, np.full(1200, 4.0), amps)).signature == "early-leak"


def test_inrush_before_a_leak_is_seen_as_the_connection() -> None:
    demand = np.concatenate([flat(1.2, 0.0), inrush(flat(1.5, 0.1), 1.0, 0.01), 0.1 + boot(RNG(8))])
    f = read_trace(read(Board(demand), Meter(rate=200)))
    assert f.signature == "early-leak"
    assert f.button_s == pytest.approx(1.2 + 1.5, abs=0.15)
    assert len(demand) * GRID_S > 10


@pytest.mark.parametrize("rate", [20, 100])
def test_a_start_that_ends_when_the_limit_takes_its_voltage_is_starved_and_no_kick(rate: int) -> None:
    """One reading at the limit with the voltage pulled down, then the processor has lost its supply."""
    t = np.arange(round(10 * rate)) / rate
    work = busy(RNG(4), 10, 0.28, 0.06)[(t * 1000).astype(int)]
    amps = np.where((t >= 3.0) & (t < 4.8), work, 0.0015)
    volts = np.full(len(t), 5.0)
    at = int(np.flatnonzero(t < 4.8)[-1])
    amps[at], volts[at] = 0.5, 3.35
    f = read_trace(trace_of(t, volts, amps, Conditions(5.0, 0.5, 0.0001)))
    assert f.signature == "limit-sag"
    assert any("the board was starved" in e.text for e in f.evidence)
