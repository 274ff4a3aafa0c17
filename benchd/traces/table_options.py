"""What a person says about a table that does not say it itself: `--current-unit mA`, `--column voltage=2`, and more."""

from __future__ import annotations

import dataclasses
import difflib
from collections.abc import Iterable, Mapping

from benchd.traces.table_units import Quantity, Unit, symbols, unit_of

DELIMITERS = {"comma": ",", "semicolon": ";", "tab": "\t", "bar": "|", "space": " "}
"""Names of delimiters on the command line. `space` is any run of blanks."""
DECIMALS = {"point": ".", "comma": ","}
COLUMNS = ("time", "date", "voltage", "current", "mode")
"""What a column can be named as."""

INTERVAL_S = (1e-6, 3600.0)
VOLTAGE_V = (1e-3, 1e4)
LIMIT_A = (1e-6, 1e4)
RESOLUTION_A = (1e-9, 1.0)
TIME_S = (-1e10, 1e10)
"""What may be said, from and to, in the unit of its name."""


class OptionError(ValueError):
    """An option that says nothing that can be used."""


@dataclasses.dataclass(frozen=True, slots=True)
class ReadAs:
    """How to read a table. None, and a quantity that is missing: as the file says it, or as it is recognised.

    What stands here goes before what the file says.
    """

    units: Mapping[Quantity, Unit] = dataclasses.field(default_factory=dict)
    columns: Mapping[str, str] = dataclasses.field(default_factory=dict)
    """Quantity to the name of its column, or its number, from 1."""
    decimal: str | None = None
    delimiter: str | None = None
    interval_s: float | None = None
    """Readings are this far apart and the file's times, if any, are not read, s."""
    set_voltage_v: float | None = None
    limit_a: float | None = None
    resolution_a: float | None = None
    board: str | None = None
    side: str | None = None
    """"battery" or "usb"."""
    button_s: float | None = None
    """In the file's own time; where that is a date or a clock, s after its first reading."""

    def unit(self, quantity: Quantity) -> Unit | None:
        """The unit that a person gave."""
        return self.units.get(quantity)

    def numbers_only(self) -> bool:
        """All that is needed is named by number, so that the file needs no header."""
        needed = ("voltage", "current") if self.interval_s is not None else ("time", "voltage", "current")
        return all(self.columns.get(q, "").isdecimal() for q in needed)


AS_IT_SAYS = ReadAs()


def units_from(given: Mapping[Quantity, str | None]) -> dict[Quantity, Unit]:
    """Units by their symbols. Raises OptionError."""
    out: dict[Quantity, Unit] = {}
    for quantity, text in given.items():
        if text is None:
            continue
        unit = unit_of(text)
        if unit is None or unit.quantity != quantity:
            raise OptionError(f"--{quantity}-unit {text}: allowed: {', '.join(symbols(quantity))}")
        out[quantity] = unit
    return out


def columns_from(given: Iterable[str]) -> dict[str, str]:
    """`current=NAME` or `current=3`, one each. Raises OptionError."""
    out: dict[str, str] = {}
    for text in given:
        quantity, equals, name = (part.strip() for part in text.partition("="))
        if not equals or not name or quantity not in COLUMNS:
            near = difflib.get_close_matches(quantity, COLUMNS, 1)
            hint = f"; meant {near[0]}=…?" if near and near[0] != quantity else ""
            raise OptionError(
                f"--column {text}: wanted WHAT=NAME or WHAT=NUMBER, WHAT one of {', '.join(COLUMNS)}{hint}"
            )
        if quantity in out:
            raise OptionError(f"--column {quantity} is given twice; give it once")
        out[quantity] = name
    return out


def named(option: str, text: str | None, names: Mapping[str, str]) -> str | None:
    """A delimiter or decimal mark by its name, or as itself. Raises OptionError."""
    if text is None or text in names.values():
        return text
    if text == r"\t":
        return "\t"
    if text.lower() not in names:
        raise OptionError(f"{option} {text!r}: allowed: {', '.join(names)}, or the character itself")
    return names[text.lower()]


def within(option: str, value: float | None, allowed: tuple[float, float], unit: str) -> float | None:
    """A number that may be. Raises OptionError."""
    low, high = allowed
    if value is not None and not low <= value <= high:
        raise OptionError(f"{option} {value:g}: allowed: from {low:g} to {high:g} {unit}")
    return value


def one_of(option: str, text: str | None, allowed: tuple[str, ...]) -> str | None:
    """One of these words. Raises OptionError."""
    if text is not None and text not in allowed:
        raise OptionError(f"{option} {text}: allowed: {', '.join(allowed)}")
    return text
