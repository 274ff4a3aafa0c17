"""Moments as people type them: a date, a date and time, or how long ago."""

from __future__ import annotations

import re
import time
from datetime import datetime

from benchd.cli import out

_AGE = re.compile(r"(\d{1,6}(?:\.\d{1,6})?)([dh])")
_AGE_S = {"d": 86400.0, "h": 3600.0}


def moment_ns(text: str, option: str) -> int:
    """A local date or date and time, or an age in days or hours, as ns since the epoch; ends the command otherwise."""
    if age := _AGE.fullmatch(text):
        return time.time_ns() - round(float(age[1]) * _AGE_S[age[2]] * 1e9)
    try:
        return round(datetime.fromisoformat(text).timestamp() * 1e9)
    except (ValueError, OverflowError, OSError):
        out.fail(f"{option} {text}: allowed are 2026-01-31, 2026-01-31T14:00 (local time), 30d or 12h", 2)
