"""A trip as figures."""

from __future__ import annotations

import math
from typing import Any

import msgspec
import pytest

from benchd.guard.rules import LetThrough
from benchd.guard.wire import Tripped
from benchd.reading import Flag, Mode, Reading, pack
from benchd.traces.trace import Conditions
from benchd.traces.trip_record import trip_figures

T0 = 1_700_000_000_000_000_000
MS = 1_000_000
KNOWN = Conditions(
    resolution_a=0.0001, accuracy_fraction_a=0.001, accuracy_offset_a=0.002, accuracy_fraction_v=0.0005,
    accuracy_offset_v=0.005, resolution_v=0.001,
)  # fmt: skip


def readings(*points: tuple[float, float, float]) -> list[Reading]:
    return [Reading(T0 + round(t_ms * MS), v, i, Mode.CC, Flag.NONE, 100_000) for t_ms, v, i in points]


def short(**changed: Any) -> Tripped:
    """4 V and 0.06 A, then 0.2 V at the 2 A limit for 20 ms; off is confirmed 3 ms later."""
    before = readings((-20, 4.0, 0.06), (-10, 4.0, 0.06), (0, 0.2, 2.0), (10, 0.2, 2.0), (20, 0.2, 2.0))
    after = readings((22, 0.0, 0.0))
    let = LetThrough(T0, 0.2, 2.0)
    for t_ms in (10, 20):
        let.add(T0 + t_ms * MS, 0.2, 2.0)
    let.hold_until(T0 + 20 * MS + 50_000)
    let.add(T0 + 22 * MS, 0.0, 0.0)
    trip = Tripped(
        "psu-a", 1, "short", "0.2 V of 4 V at the 2 A limit", T0, T0 + 20 * MS, T0 + 20 * MS + 50_000, T0 + 23 * MS,
        4.0, 2.0, let.charge_c, let.energy_j, let.square_a2s, pack("psu-a", 1, before), pack("psu-a", 1, after),
        stage="boot", on_ns=T0 - 5000 * MS, since_on_c=0.34, since_on_j=1.2, since_on_a2s=0.1, budget_j=0.005,
    )  # fmt: skip
    return msgspec.structs.replace(trip, **changed)


def test_figures_have_their_units_and_none_for_what_is_not_known() -> None:
    figures = trip_figures(short(off_confirmed_ns=None), KNOWN)
    assert (figures["off_confirmed"], figures["off_confirmed_after_ms"]) == (False, None)
    assert figures["detected_after_ms"] == 20.0
    assert figures["off_sent_after_us"] == 50.0
    assert figures["let_through_c_most"] is None, "it may flow still"
    first_off = trip_figures(short(rule="instrument", off_sent_ns=T0 + 5 * MS))
    assert first_off["off_sent_after_us"] == 0.0
    units = ("_ns", "_ms", "_us", "_v", "_a", "_c", "_j", "_a2s", "_u", "_most")
    numbers = {k for k, v in figures.items() if isinstance(v, int | float) and not isinstance(v, bool)}
    assert [k for k in numbers if not k.endswith(units)] == []


def test_what_went_through_is_between_what_was_read_and_its_bound() -> None:
    """2 A for 20.05 ms, down to nothing at 22 ms: 42.05 mC; 10 ms before and 3 ms after nobody looked."""
    figures = trip_figures(short(), KNOWN)
    assert figures["let_through_c"] == pytest.approx(2 * 0.02005 + 2 * 0.00195 / 2)
    # ± 4 mA for 22 ms, and 0.1 ms at the beginning, where 2 A flow; limits, so 2/√3 of them (JCGM 100 §4.3.7).
    expected = 2 / 3**0.5 * math.hypot(0.022 * 0.004, 0.0001 * 2)
    assert figures["let_through_c_u"] == pytest.approx(expected, rel=0.05)
    unseen_c = 2 * (0.010 + 0.002 + 0.001)
    assert figures["let_through_c_most"] == pytest.approx(figures["let_through_c"] + unseen_c, rel=0.01)
    assert figures["let_through_j"] < figures["let_through_j_most"]
    assert figures["let_through_a2s"] < figures["let_through_a2s_most"]


def test_the_readings_kept_tell_the_same_as_the_guards_own_sum() -> None:
    trip = short()
    twice = trip_figures(msgspec.structs.replace(trip, let_through_c=2 * trip.let_through_c), KNOWN)
    once = trip_figures(trip, KNOWN)
    # A fault that began before the readings that are kept: its uncertainty is that much larger.
    assert twice["let_through_c_u"] == pytest.approx(2 * once["let_through_c_u"], rel=1e-6)
    assert twice["let_through_c_most"] == pytest.approx(once["let_through_c_most"] + trip.let_through_c, rel=1e-6)


@pytest.mark.parametrize(("budget_j", "over"), [(None, None), (0.005, True), (0.05, False)])
def test_the_energy_is_held_against_the_budget(budget_j: float | None, over: bool | None) -> None:
    """0.2 V · 2 A for some 21 ms are 8.4 mJ."""
    figures = trip_figures(short(budget_j=budget_j), KNOWN)
    assert figures["let_through_j"] == pytest.approx(8.4e-3, rel=0.01)
    assert (figures["budget_j"], figures["over_budget"]) == (budget_j, over)


def test_a_trip_with_the_first_reading_counts_from_power_on() -> None:
    first = readings((0, 0.2, 2.0), (20, 0.2, 2.0))
    trip = short(before=pack("psu-a", 1, first), on_ns=T0 - 7 * MS)
    late = trip_figures(msgspec.structs.replace(trip, on_ns=0), KNOWN)
    assert trip_figures(trip, KNOWN)["let_through_c_most"] - late["let_through_c_most"] == pytest.approx(2 * 0.007)


def test_without_an_accuracy_or_a_budget_it_is_a_record_all_the_same() -> None:
    figures = trip_figures(short(budget_j=None, stage="", on_ns=0))
    assert figures["let_through_c_u"] is None
    assert figures["let_through_c_most"] is not None
    assert figures["on_ns"] is None
