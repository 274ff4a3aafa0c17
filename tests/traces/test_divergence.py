"""Where a trace leaves its references: found, at the right time, and not found where it does not."""

from __future__ import annotations

import numpy as np
import pytest

from benchd.traces.against import against
from benchd.traces.band import Band
from benchd.traces.divergence import first_divergence, parted, time_tolerance_s
from benchd.traces.samples import Samples
from benchd.traces.trace import Conditions, Trace
from tests.traces import power_ups


def references(count: int, rate: float = 50.0, **meter: float | bool) -> Band:
    return Band.of([power_ups.trace(power_ups.good(k), k, rate, **meter) for k in range(count)])


@pytest.mark.parametrize("rate", [5, 50, 500])
@pytest.mark.parametrize("count", [1, 4])
def test_a_good_board_does_not_leave_the_band(rate: float, count: int) -> None:
    band = references(count, rate, tell_button=False)
    told = [
        first_divergence(power_ups.trace(power_ups.good(100 + k), k, rate, tell_button=False), band) for k in range(8)
    ]
    # One of fifty may, by chance.
    assert sum(d is not None for d in told) <= 1, told


@pytest.mark.parametrize("rate", [5, 50, 500])
@pytest.mark.parametrize(
    ("at_s", "level_a"),
    [(0.5, 0.06), (1.0, 0.0), (3.0, 0.06), (5.0, 0.0), (5.0, 1.6), (10.0, 0.06)],
)
def test_it_is_found_where_a_board_stops(rate: float, at_s: float, level_a: float) -> None:
    """Within a reading or a tenth of a second; phases of a boot shift by as much."""
    band = references(3, rate)
    found = first_divergence(power_ups.trace(power_ups.stopped(50, at_s, level_a), 9, rate), band)
    assert found is not None
    assert found.at_s == pytest.approx(at_s, abs=max(0.15, 2 / rate))
    # A slow reading at the edge is a mean of both.
    assert found.current_a == pytest.approx(level_a, abs=0.02 if rate > 5 else 0.15)
    assert found.significance > 4
    # Its uncertainty is expanded (k = 2), its significance in standard ones.
    assert abs(found.current_a - found.reference_a) == pytest.approx(
        found.significance * found.difference_u_a / 2, rel=0.01
    )
    assert f"{max(found.at_s, 0):.2f} s after the button" in found.text
    assert "3 references draw" in found.text


def test_two_traces_part_at_one_moment_whichever_is_named_first() -> None:
    """Neither of them is called good: nothing says so."""
    one, other = power_ups.trace(power_ups.good(1), 1), power_ups.trace(power_ups.stopped(50, 3.0, 0.06), 9)
    ahead, back = parted(other, one, "the earlier one"), parted(one, other, "the earlier one")
    assert ahead is not None
    assert back is not None
    stops, goes_on = ahead.divergence, back.divergence
    assert stops is not None
    assert goes_on is not None
    assert stops.at_s == pytest.approx(3.0, abs=0.15)
    assert stops.at_s == pytest.approx(goes_on.at_s, abs=0.05)
    assert (stops.current_a, stops.reference_a) == (goes_on.reference_a, goes_on.current_a)
    assert (stops.difference_u_a, stops.significance) == (goes_on.difference_u_a, goes_on.significance)
    assert stops.text.startswith("Leaves the earlier one ")
    assert " where that one draws " in stops.text
    assert stops.text.endswith(" less; k = 2).")
    assert goes_on.text.endswith(" more; k = 2).")


def test_two_good_power_ups_do_not_part() -> None:
    found = [parted(power_ups.trace(power_ups.good(k), k), power_ups.trace(power_ups.good(k + 50), k), "it")
             for k in range(8)]  # fmt: skip
    assert all(p is not None for p in found)
    assert sum(p is not None and p.divergence is not None for p in found) <= 1


@pytest.mark.parametrize("rate", [10, 50, 200])
def test_one_burst_of_work_that_no_reference_has_there_is_none(rate: float) -> None:
    """0.2 s at four times the current: as it may come at any time, it is no phase of a boot."""
    board = power_ups.good(50)
    at = round((power_ups.WINDOW_S + 0.7) / 0.001)
    board.demand_a[at : at + 200] = 1.2
    assert first_divergence(power_ups.trace(board, 9, rate), references(3, rate)) is None


def test_a_short_at_the_very_end_is_found_though_it_is_as_short_as_a_burst() -> None:
    """A trip cuts it."""
    board = power_ups.good(50)
    at = round((power_ups.WINDOW_S + 10.0) / 0.001)
    short = power_ups.Board(np.concatenate([board.demand_a[:at], np.full(200, 1.9)]), button_s=board.button_s)
    found = first_divergence(power_ups.trace(short, 9, 200), references(3, 200))
    assert found is not None
    assert found.at_s == pytest.approx(10.0, abs=0.1)


@pytest.mark.parametrize("at_s", [2.0, 4.0, 6.0])
@pytest.mark.parametrize("level_a", [0.15, 0.4])
def test_a_stall_amid_bursts_begins_where_the_bursts_end_even_with_one_reference(at_s: float, level_a: float) -> None:
    """It is shown much later, by long stretches and beyond what comes later in the reference: that is no begin."""
    found = first_divergence(power_ups.trace(power_ups.stopped(50, at_s, level_a), 9), references(1))
    assert found is not None
    assert found.at_s == pytest.approx(at_s, abs=0.15)


def test_a_level_that_bursts_hide_is_found_in_long_stretches() -> None:
    band = references(3)
    found = first_divergence(power_ups.trace(power_ups.stopped(50, 1.6, 0.27), 9), band)
    assert found is not None
    assert 1.3 <= found.at_s <= 4.2
    assert found.current_a < found.reference_a


def test_a_leak_before_the_button_is_found_before_the_button() -> None:
    boards = [power_ups.good(k) for k in range(4)]
    leaky = boards[3]
    leaky.demand_a[: round(power_ups.WINDOW_S / 0.001)] = 0.045
    band = Band.of([power_ups.trace(b, k) for k, b in enumerate(boards[:3])])
    found = first_divergence(power_ups.trace(leaky, 9), band)
    assert found is not None
    assert found.at_s < -1.0
    assert found.current_a == pytest.approx(0.045, abs=0.005)
    assert "before the button" in found.text


def test_a_dropout_shorter_than_a_reading_of_the_slower_is_none() -> None:
    board = power_ups.good(50)
    at = round((power_ups.WINDOW_S + 10.0) / 0.001)
    board.demand_a[at : at + 300] = 0.0
    fast = power_ups.trace(board, 9, 200)
    assert first_divergence(fast, references(3, 200)) is not None
    assert first_divergence(fast, references(3, 2)) is None


def test_where_no_reference_has_readings_nothing_diverges() -> None:
    whole = power_ups.trace(power_ups.good(1), 1)
    s = whole.samples
    keep = (s.t_ns < 11.0e9) | (s.t_ns > 15.0e9)
    holed = Samples(s.t_ns[keep], s.voltage_v[keep], s.current_a[keep], s.mode[keep], s.flags[keep])
    band = Band.of([Trace(holed, 0, whole.conditions, whole.marks)])
    assert first_divergence(power_ups.trace(power_ups.good(2), 2), band) is None
    within = power_ups.good(2)
    within.demand_a[12_000:14_000] = 1.5
    assert first_divergence(power_ups.trace(within, 2), band) is None


def test_a_start_a_little_late_does_not_leave_a_band_that_begins_with_the_button() -> None:
    board, late = power_ups.good(1), power_ups.good(2)
    late.demand_a = np.concatenate([np.full(100, 0.001), late.demand_a])
    # Marked at the very first reading: nothing before it is known.
    band = Band.of([power_ups.trace(power_ups.Board(board.demand_a[2500:], button_s=0.0), 1)])
    assert first_divergence(power_ups.trace(late, 2), band) is None


def test_a_poor_instrument_makes_it_less_sure() -> None:
    """0.1 A of zero error may be all that a difference of 0.15 A is."""
    dull = power_ups.trace(power_ups.stopped(50, 10.0, 0.09), 9)
    band = references(3)
    sure = first_divergence(dull, band)
    known = Conditions(4.0, 2.0, 0.001, 0.0, 0.1)
    assert sure is not None
    assert sure.at_s == pytest.approx(10.0, abs=0.2)
    assert first_divergence(Trace(dull.samples, 0, known, dull.marks), band) is None


def test_what_cannot_be_laid_on_the_band_has_no_divergence_and_says_why() -> None:
    band = references(1)
    silent = power_ups.flat_trace(np.zeros(200), set_v=4.0)
    no_button = Trace(silent.samples, 0, silent.conditions)
    assert first_divergence(no_button, band) is None
    assert "shows no button" in against(no_button, band).why_not
    higher = power_ups.trace(power_ups.good(1), 1, set_voltage_v=8.0)
    assert first_divergence(higher, band) is None
    assert "8 V" in against(higher, band).why_not
    empty = Trace(Samples.empty(), 0, Conditions())
    assert against(empty, band).why_not


def test_the_tolerance_grows_with_the_time_since_the_button() -> None:
    assert time_tolerance_s(np.array([-1.0, 0.0, 10.0]), 0.05).tolist() == pytest.approx([0.15, 0.15, 1.15])
    assert time_tolerance_s(np.array([0.0]), 0.5).tolist() == [0.5]


@pytest.mark.parametrize("more", [1.0, 1.45])
def test_a_board_that_draws_more_throughout_has_both_ratios(more: float) -> None:
    found = against(power_ups.trace(power_ups.good(60, more), 9), references(3))
    assert found.why_not == ""
    assert found.busy is not None
    assert found.settled is not None
    for ratio in (found.busy, found.settled):
        # Levels differ by 3 % either way from one power-up to the next.
        assert ratio.ratio == pytest.approx(more, rel=0.07)
        assert (ratio.ratio - 1 > ratio.u) == (more > 1.2)
    assert (found.divergence is not None) == (more > 1.2)
