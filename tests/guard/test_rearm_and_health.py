"""The bound on re-arming, and the figures of how readings come in."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.guard.health import Meter
from benchd.guard.rearm import RearmBound
from benchd.reading import Flag, Mode, Reading

S = 1_000_000_000


def test_a_pause_after_each_trip() -> None:
    bound = RearmBound(2.0, 6)
    assert bound.refusal(10 * S) == ""
    bound.tripped(10 * S)
    assert "re-arm in 1.5 s" in bound.refusal(10 * S + S // 2)
    assert "re-arm in 0.1 s" in bound.refusal(12 * S - 1)  # never "in 0.0 s"
    assert bound.free_from_ns() == 12 * S
    assert bound.refusal(12 * S) == ""


@settings(max_examples=200, deadline=None)
@given(st.integers(1, 6), st.lists(st.floats(0, 20), max_size=100))
def test_never_more_often_within_a_minute(most: int, waits: list[float]) -> None:
    bound, now, done = RearmBound(0.5, most), 0, []
    for wait_s in waits:
        now += round(wait_s * S)
        bound.tripped(now)
        now += S // 2
        if bound.refusal(now) == "":
            bound.rearmed(now)
            done.append(now)
        else:
            assert "s ago" not in bound.refusal(now)
            assert bound.refusal(bound.free_from_ns()) == ""
    for first, last in zip(done, done[most:], strict=False):
        assert last - first >= 60 * S


def test_figures_of_readings_at_known_times() -> None:
    # The times of a jitter example: t in s; mean 10 ms, sd (n - 1) 2.9212 ms, longest 15.1 ms (NumPy beside it).
    times = [0, 0.0101, 0.0199, 0.0302, 0.0400, 0.0499, 0.0650, 0.0700]
    meter = Meter()
    for t_s in times:
        assert not meter.add(Reading(S + round(t_s * 1e9), 4.0, 0.1, Mode.CV, Flag.NONE, 250_000))
    meter.late(0.003)
    meter.late(0.001)
    found = meter.report("left", 1)
    gaps = np.diff(times) * 1e3
    assert found.readings == 7
    assert found.interval_ms == pytest.approx(gaps.mean())
    assert found.jitter_ms == pytest.approx(gaps.std(ddof=1), rel=1e-6) == pytest.approx(2.9212, abs=1e-4)
    assert found.worst_ms == pytest.approx(15.1)
    assert found.round_trip_ms == pytest.approx(0.5)
    assert found.overrun_ms == 3.0


def test_a_gap_while_nothing_was_on_does_not_count() -> None:
    meter = Meter()
    for t_ms in (0, 10, 20):
        meter.add(Reading(S + t_ms * 1_000_000, 4.0, 0.1, Mode.CV, Flag.NONE, 0))
    meter.skip()
    for t_ms in (700, 710):
        meter.add(Reading(S + t_ms * 1_000_000, 4.0, 0.1, Mode.CV, Flag.NONE, 0))
    found = meter.report("left", 1)
    assert (found.readings, found.worst_ms) == (3, 10.0)


def test_about_once_a_second() -> None:
    meter = Meter()
    due = [
        n
        for n in range(3000)
        if meter.add(Reading(S + n * 10_000_000, 4, 0, Mode.CV, Flag.NONE, 0)) and meter.report("l", 1)
    ]
    assert due == [100 * k for k in range(1, 30)]
