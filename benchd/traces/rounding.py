"""Figures for people: a value and its uncertainty end at the same decimal, small currents are in mA.

The uncertainty has two digits, and the value is rounded to where they end (JCGM 100:2008 §7.2.6).
"""

from __future__ import annotations

import math

SMALL = 0.9995
"""Below this a current is said in mA, a charge in mC; it would be 1.00 A with three digits."""
IN_THOUSANDTHS = ("A", "C")
MOST_DECIMALS = 4
DIGITS = 3
"""Of a value whose uncertainty is not known."""


def decimals(u: float) -> int:
    """So many decimals show two digits of an uncertainty above 0."""
    rounded = float(f"{u:.1e}")
    return min(max(1 - math.floor(math.log10(rounded)), 0), MOST_DECIMALS)


def figure(value: float, u: float | None, unit: str) -> str:
    """A value with its uncertainty, if there is one, and its unit: 59.7 mA ± 2.3 mA. A share (unit 1) is in %."""
    scale, unit = _scaled(max(abs(value), u or 0.0), unit)
    if u is None or not u > 0:
        return f"{_plain(value * scale)} {unit}"
    digits = decimals(u * scale)
    return f"{_zero(f'{value * scale:.{digits}f}')} {unit} ± {u * scale:.{digits}f} {unit}"


def amperes(current_a: float, u_a: float) -> str:
    """One current alone, rounded by the uncertainty `u_a` of what it stands beside; in A, or mA below 1 A."""
    scale, unit = _scaled(max(abs(current_a), 0.0), "A")
    if not u_a > 0:
        return f"{_plain(current_a * scale)} {unit}"
    return f"{_zero(f'{current_a * scale:.{decimals(u_a * scale)}f}')} {unit}"


def _scaled(size: float, unit: str) -> tuple[float, str]:
    if unit == "1":
        return 100.0, "%"
    return (1e3, f"m{unit}") if unit in IN_THOUSANDTHS and size < SMALL else (1.0, unit)


def _plain(value: float) -> str:
    """Three digits, without powers of ten."""
    size = abs(value)
    if size == 0:
        return "0"
    digits = DIGITS - 1 - math.floor(math.log10(float(f"{size:.{DIGITS - 1}e}")))
    return _zero(f"{value:.{min(max(digits, 0), MOST_DECIMALS)}f}")


def _zero(text: str) -> str:
    """No less than nothing: -0.0 is 0.0."""
    return text[1:] if text.startswith("-") and not text.strip("-0.") else text
