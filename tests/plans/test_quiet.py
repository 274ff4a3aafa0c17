"""Quiet hours, over midnight and not."""

from __future__ import annotations

from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.plans.quiet import QuietHours, ends, is_quiet, parse_hours

ZONE = ZoneInfo("Europe/Berlin")
times = st.times().map(lambda t: t.replace(second=0, microsecond=0))


def at(hour: int, minute: int = 0, second: int = 0) -> datetime:
    return datetime(2026, 11, 26, hour, minute, second)


def test_none() -> None:
    assert parse_hours("") is None
    assert not is_quiet(None, at(3))


@pytest.mark.parametrize("text", ["22-6", "22:00", "24:00-06:00", "22:60-06:00", "22:00-22:00", " 22:00-06:30",
                                  "22:00-06:30\n", "２２:00-06:30", "aa:bb-cc:dd"])  # fmt: skip
def test_what_is_no_time_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"allowed is|are the same"):
        parse_hours(text)


def test_over_midnight() -> None:
    hours = parse_hours("22:00-06:30")
    assert hours is not None
    assert [is_quiet(hours, when) for when in (at(21, 59, 59), at(22), at(0), at(6, 29, 59), at(6, 30))] == [
        False, True, True, True, False,
    ]  # fmt: skip
    assert ends(hours, at(23)) == at(6, 30) + timedelta(days=1)
    assert ends(hours, at(2)) == at(6, 30)


def test_the_wall_clock_counts_where_it_is_put_back() -> None:
    """In this zone 25 October 2026 has 25 hours."""
    hours = parse_hours("22:00-06:30")
    assert hours is not None
    end = ends(hours, datetime(2026, 10, 24, 23, tzinfo=ZONE))
    assert (end.time(), end.utcoffset()) == (time(6, 30), timedelta(hours=1))


@given(times, times, st.datetimes(datetime(2020, 1, 1), datetime(2030, 1, 1)))
def test_quiet_is_what_lies_between_a_beginning_and_the_next_end(begin: time, end: time, now: datetime) -> None:
    text = f"{begin:%H:%M}-{end:%H:%M}"
    if begin == end:
        with pytest.raises(ValueError, match="the same"):
            parse_hours(text)
        return
    hours = parse_hours(text)
    assert hours == (begin, end)
    assert hours is not None
    begins = ends(QuietHours(hours.end, hours.begin), now)  # the rest of the day ends where they begin
    assert is_quiet(hours, now) == (ends(hours, now) < begins)
    assert is_quiet(hours, begins)
    assert not is_quiet(hours, ends(hours, now))
