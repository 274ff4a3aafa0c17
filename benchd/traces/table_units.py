"""Units that tables use for time, voltage, current and power, and what one of each is in s, V, A, W.

Sources: SI prefixes (BIPM, SI Brochure, 9th edition, table 7), min and h (table 8). Case is not looked at: no bench
knows megavolts or megaamperes, and many programs write headers in capitals.
"""

from __future__ import annotations

from typing import Literal, NamedTuple

Quantity = Literal["time", "voltage", "current", "power"]
BASE: dict[Quantity, str] = {"time": "s", "voltage": "V", "current": "A", "power": "W"}


class Unit(NamedTuple):
    """A unit as it is written, its quantity, and how much of the base unit it is."""

    symbol: str
    quantity: Quantity
    scale: float


_PREFIXES = {"": 1.0, "m": 1e-3, "µ": 1e-6, "n": 1e-9, "k": 1e3}
_WORDS: dict[Quantity, dict[str, tuple[str, ...]]] = {
    "time": {"s": ("sec", "secs", "second", "seconds"), "ms": ("msec", "millis", "milliseconds"),
             "µs": ("usec", "micros", "microseconds"), "ns": ("nsec", "nanos", "nanoseconds")},
    "voltage": {"V": ("volt", "volts"), "mV": ("millivolt", "millivolts")},
    "current": {"A": ("amp", "amps", "ampere", "amperes"), "mA": ("milliamp", "milliamps", "milliampere")},
    "power": {"W": ("watt", "watts"), "mW": ("milliwatt", "milliwatts")},
}  # fmt: skip


def _table() -> dict[str, Unit]:
    out: dict[str, Unit] = {}
    for quantity, base in BASE.items():
        for prefix, scale in _PREFIXES.items():
            if (quantity, prefix) == ("time", "k"):
                continue
            unit = Unit(prefix + base, quantity, scale)
            for word in (unit.symbol, *_WORDS[quantity].get(unit.symbol, ())):
                out[_plain(word)] = unit
    for word, symbol, scale in (("min", "min", 60.0), ("minutes", "min", 60.0), ("h", "h", 3600.0)):
        out[word] = Unit(symbol, "time", scale)
    return out


def _plain(text: str) -> str:
    """Lower case, and u for either of the two letters that look like µ (U+00B5, U+03BC)."""
    return text.strip().casefold().replace("\u03bc", "u").replace("\u00b5", "u")


_UNITS = _table()


def unit_of(text: str) -> Unit | None:
    """The unit that a text is, whatever its case; None when it is none of ours."""
    return _UNITS.get(_plain(text))


def symbols(quantity: Quantity) -> list[str]:
    """The units of a quantity, as messages list them."""
    return list(dict.fromkeys(u.symbol for u in _UNITS.values() if u.quantity == quantity))
