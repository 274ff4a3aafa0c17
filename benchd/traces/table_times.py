"""Times of a table that are dates and clocks, as ns.

Read are RFC 3339 and ISO 8601 (`2024-05-01T10:11:12.345Z`, with a blank for the T as RFC 3339 allows), days written
`31.01.2024`, `31/01/2024` or `1/31/2024`, clocks with fractions after a point, comma or colon, AM and PM, and clocks
without a day. A day whose order cannot be told (`03/04/2024`) is only counted from: its date is not known.
"""

from __future__ import annotations

import dataclasses
import datetime
import re

DAY_NS = 86_400_000_000_000
HALF_DAY_NS = DAY_NS // 2

_STAMP = re.compile(
    r"(?:(\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}|\d{8})(?:[Tt]|\s+|$))?"
    r"(?:(\d{1,3}):?(\d{2})(?::?(\d{2}))?(?:[.,:](\d{1,9}))?)?"
    r"\s*(am|pm|AM|PM)?\s*([Zz]|[+-]\d{2}:?\d{2})?"
)
_DAY = re.compile(r"(\d+)([-/.])(\d+)\2(\d+)")


class StampError(ValueError):
    """No time that is known here."""


@dataclasses.dataclass(slots=True)
class Stamps:
    """Reads the stamps of one table, one after the other."""

    dated: bool = False
    """The last stamp had a day whose place in the calendar is known."""
    zoned: bool = False
    """The last stamp had a time zone."""
    _text: str | None = None
    _day: int = 0
    _order: str = ""
    _last_ns: int | None = None

    def ns(self, text: str) -> int:
        """ns since the epoch, or since midnight of the first day where no date is known. Stamps without a zone count
        as UTC. A clock without a day that falls back by more than half a day has passed midnight. Raises StampError."""
        found = _STAMP.fullmatch(text.strip().strip('"').strip())
        if not found or not (found[1] or found[2]):
            raise StampError("allowed: a number, or a stamp like 2024-05-01T10:11:12.345Z or 10:11:12.345")
        day, hour, minute, second, fraction, half, zone = found.groups()
        out = _clock_ns(hour, minute, second, fraction, half)
        self.zoned = zone is not None
        if day is None:
            self.dated = False
            if self._last_ns is not None and out + self._day * DAY_NS < self._last_ns - HALF_DAY_NS:
                self._day += 1
        elif day != self._text:
            self._day, self.dated = self._of(day)
            self._text = day
        out += self._day * DAY_NS - _zone_ns(zone)
        self._last_ns = out
        return out

    def _of(self, text: str) -> tuple[int, bool]:
        """A day's number and whether it counts from 1970."""
        orders = [self._order] if self._order else _orders(text)
        if len(orders) == 1:
            known = _number(text, orders[0])
            if self._order or self._text is None:
                self._order = orders[0]
                return known, True
            # Days before this one could be read in two ways; this one is the next, or the order stays unknown.
            return self._next(text, orders), False
        if self._text is None:
            return 0, False
        return self._next(text, orders), False

    def _next(self, text: str, orders: list[str]) -> int:
        before = self._text or text
        for order in orders:
            if order in _orders(before) and _number(text, order) - _number(before, order) == 1:
                return self._day + 1
        raise StampError(f"it is not the day after {before}, whichever is the month; write days as 2024-01-31")


def _clock_ns(hour: str | None, minute: str, second: str | None, fraction: str | None, half: str | None) -> int:
    if hour is None:
        if half:
            raise StampError("AM or PM without a clock")
        return 0
    h, m, s = int(hour), int(minute), int(second or 0)
    if second is None:
        if fraction is None:
            raise StampError("it has no seconds; readings of one minute cannot be told apart")
        h, m, s = 0, h, m  # 12:34.5 counts minutes and seconds
    if half:
        if not 1 <= h <= 12:
            raise StampError("allowed with AM and PM: hours from 1 to 12")
        h = h % 12 + (12 if half.lower() == "pm" else 0)
    # A leap second is 60 (ISO 8601). Hours go on past 24 where they count what has passed.
    if not (0 <= m < 60 and 0 <= s <= 60):
        raise StampError("allowed: minutes from 0 to 59, seconds from 0 to 60")
    return ((h * 60 + m) * 60 + s) * 1_000_000_000 + int((fraction or "0").ljust(9, "0"))


def _zone_ns(zone: str | None) -> int:
    if zone is None or zone in "Zz":
        return 0
    minutes = int(zone[1:3]) * 60 + int(zone[-2:])
    return (-1 if zone[0] == "-" else 1) * minutes * 60_000_000_000


def _orders(text: str) -> list[str]:
    """The orders of day, month and year in which this is a day of the calendar."""
    found = _DAY.fullmatch(text)
    if found is None or len(found[1]) == 4:
        return ["ymd"]
    # With points the day stands first (common practice, no source).
    tried = ["dmy"] if found[2] == "." else ["dmy", "mdy"]
    fits = []
    for order in tried:
        try:
            _number(text, order)
        except StampError:
            continue
        fits.append(order)
    return fits or tried[:1]


def _number(text: str, order: str) -> int:
    """Days since 1970-01-01."""
    found = _DAY.fullmatch(text)
    first, second, third = (int(text[:4]), int(text[4:6]), int(text[6:])) if found is None else (
        int(found[1]), int(found[3]), int(found[4]))  # fmt: skip
    year, month, day = {"ymd": (first, second, third), "dmy": (third, second, first), "mdy": (third, first, second)}[
        order
    ]
    if year < 100 and order != "ymd":
        year += 2000
    if not 1970 <= year <= 2200:
        raise StampError("allowed: years from 1970 to 2200")
    try:
        return datetime.date(year, month, day).toordinal() - datetime.date(1970, 1, 1).toordinal()
    except ValueError:
        raise StampError("there is no such day") from None
