"""Parameters in, replies out: numbers with units, booleans, names (IEEE 488.2 §7.7, §8.7; SCPI-1999 vol. 1 §7)."""

from __future__ import annotations

import re
from decimal import ROUND_HALF_UP, Decimal, InvalidOperation

from benchd.sim.errors import ScpiError
from benchd.sim.parser import short_form

_DECIMAL = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+))(?:\s*[Ee]\s*([+-]?\d+))?\s*(.*)\Z", re.DOTALL)
_NONDECIMAL = re.compile(r"#([HQBhqb])([0-9A-Fa-f]+)\Z")
_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_]*\Z")
_SUFFIX = re.compile(r"[A-Za-z/.]+\Z")
_BASES = {"H": 16, "Q": 8, "B": 2}
_MULTIPLIERS = {"": 0, "U": -6, "M": -3, "K": 3, "MA": 6}
"""Powers of ten before a unit (IEEE 488.2 table 7-2); M is milli, MA is mega."""

LARGEST_EXPONENT = 32000
MOST_DIGITS = 255


def number(text: str, unit: str = "") -> float:
    """A number, with a suffix of the family `unit` (V, A, S; empty: none allowed). Raises the -1xx that fits."""
    nondecimal = _NONDECIMAL.match(text)
    if nondecimal:
        try:
            return float(int(nondecimal.group(2), _BASES[nondecimal.group(1).upper()]))
        except (ValueError, OverflowError):
            raise ScpiError(-121, text) from None
    if text.startswith("#"):
        raise ScpiError(-168, text)
    if text.startswith(("'", '"')):
        raise ScpiError(-158, text)
    matched = _DECIMAL.match(text)
    if matched is None:
        raise ScpiError(-104, text)
    digits, exponent, suffix = matched.groups()
    if len(digits) > MOST_DIGITS:
        raise ScpiError(-124)
    if exponent and (len(exponent) > 7 or abs(int(exponent)) > LARGEST_EXPONENT):
        raise ScpiError(-123, text)
    scaled = Decimal(digits).scaleb(int(exponent or 0) + _multiplier(suffix, unit))
    return float(scaled)


def _multiplier(suffix: str, unit: str) -> int:
    if not suffix:
        return 0
    if not _SUFFIX.match(suffix):
        raise ScpiError(-121, suffix)
    if not unit:
        raise ScpiError(-138, suffix)
    if len(suffix) > 12:
        raise ScpiError(-134, suffix)
    power = _MULTIPLIERS.get(suffix.upper().removesuffix(unit)) if suffix.upper().endswith(unit) else None
    if power is None:
        raise ScpiError(-131, suffix)
    return power


def setting(text: str, unit: str, lowest: float, highest: float, default: float, step: float) -> float:
    """A number in range, rounded to the programming resolution; MINimum, MAXimum and DEFault too."""
    named = {"MINimum": lowest, "MAXimum": highest, "DEFault": default}
    for name, value in named.items():
        if text.upper() in (short_form(name), name.upper()):
            return value
    if text.upper() in ("NAN", "INF", "INFINITY", "NINF", "NINFINITY"):
        raise ScpiError(-222, text)
    value = number(text, unit)
    if not lowest - step / 2 <= value <= highest + step / 2:
        raise ScpiError(-222, text)
    return min(max(to_step(value, step), lowest), highest)


def to_step(value: float, step: float) -> float:
    """The nearest multiple of `step`, halves upward, without the dust of binary fractions."""
    try:
        grid = Decimal(str(step))
        return float((Decimal(str(value)) / grid).to_integral_value(ROUND_HALF_UP) * grid)
    except InvalidOperation:
        raise ScpiError(-222, str(value)) from None


def whole(text: str, lowest: int, highest: int) -> int:
    """An integer in range; fractions are rounded (IEEE 488.2 §7.7.2.4)."""
    value = number(text)
    if not lowest - 0.5 <= value < highest + 0.5:
        raise ScpiError(-222, text)
    return min(max(round(value), lowest), highest)


def boolean(text: str) -> bool:
    """ON, OFF, or a number that is true when it rounds to anything but zero (SCPI-1999 vol. 1 §7.3)."""
    if text.upper() in ("ON", "OFF"):
        return text.upper() == "ON"
    if _NAME.match(text):
        raise ScpiError(-224, text)
    value = number(text)
    return not -0.5 < value < 0.5


def name(text: str) -> str:
    """Character data in upper case."""
    if not _NAME.match(text):
        raise ScpiError(-104 if text[:1].isdigit() else -141, text)
    if len(text) > 12:
        raise ScpiError(-144, text)
    return text.upper()


def nr2(value: float, step: float) -> str:
    """Fixed point with the places of the resolution: `4.000`."""
    places = max(0, -Decimal(str(step)).normalize().as_tuple().exponent)  # type: ignore[operator]
    return f"{value:.{places}f}"


def nr3(value: float) -> str:
    """Mantissa and exponent: `+6.12000E-02`."""
    return f"{value:+.5E}"
