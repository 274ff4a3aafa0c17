"""Quiet hours: when nobody is at the bench. Pure: the time of the clock on the wall comes in.

Times carry the zone of the time that is given. From the beginning on it is quiet, at the end no more.
"""

from __future__ import annotations

import re
from datetime import datetime, time, timedelta
from typing import NamedTuple

_FORM = re.compile(r"([01]\d|2[0-3]):([0-5]\d)-([01]\d|2[0-3]):([0-5]\d)")


class QuietHours(NamedTuple):
    """Every day from one time to another, over midnight where the second is the earlier one."""

    begin: time
    end: time


def parse_hours(text: str) -> QuietHours | None:
    """`22:00-06:30`; empty: none. Raises ValueError."""
    if not text:
        return None
    parts = _FORM.fullmatch(text)
    if parts is None or not text.isascii():
        raise ValueError('allowed is "22:00-06:30", from 00:00 to 23:59 in local time; "" for none')
    hour, minute, end_hour, end_minute = map(int, parts.groups())
    hours = QuietHours(time(hour, minute), time(end_hour, end_minute))
    if hours.begin == hours.end:
        raise ValueError('beginning and end are the same; "" is for none, and a bench that is always quiet cannot work')
    return hours


def is_quiet(hours: QuietHours | None, now: datetime) -> bool:
    """Whether it is quiet at this local time."""
    if hours is None:
        return False
    at = now.time()
    if hours.begin < hours.end:
        return hours.begin <= at < hours.end
    return at >= hours.begin or at < hours.end


def ends(hours: QuietHours, now: datetime) -> datetime:
    """The next end after `now`, in local time."""
    today = datetime.combine(now.date(), hours.end, now.tzinfo)
    return today if today > now else today + timedelta(days=1)
