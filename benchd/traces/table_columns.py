"""Which column of a table is the time, the voltage, the current: by the names and units that people give them.

The names are common practice in English, German, French, Spanish and Italian; no source. A column that two readings
of its name would fit is not guessed at: the person is asked.
"""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Sequence

from benchd.traces.file_error import shown
from benchd.traces.table_options import ReadAs
from benchd.traces.table_units import BASE, Quantity, Unit, unit_of

NAMES: dict[str, tuple[str, ...]] = {
    "time": ("time", "t", "elapsed", "elapsed time", "relative time", "time stamp", "timestamp", "date time",
             "datetime", "time elapsed", "clock", "zeit", "zeitstempel", "datum zeit", "temps", "horodatage",
             "tiempo", "tempo"),
    "date": ("date", "day", "datum", "fecha", "data"),
    "voltage": ("voltage", "volt", "volts", "v", "u", "vbus", "spannung", "tension", "tensión", "voltaje", "tensione"),
    "current": ("current", "amp", "amps", "ampere", "amperes", "i", "a", "ibus", "strom", "courant", "intensité",
                "corriente", "corrente"),
    "mode": ("mode", "cv cc", "cc cv", "regulation"),
}  # fmt: skip
MEASURED = {"measured", "meas", "measure", "actual", "act", "output", "out", "readback", "reading", "read", "value",
            "dc", "channel", "ch", "ist", "gemessen", "mesure", "mesurée", "medida"}  # fmt: skip
"""Words that leave a name what it is. So do a channel's number, and words in brackets that are no unit."""
SETTINGS = {"set", "setpoint", "setting", "limit", "nominal", "target", "max", "min", "soll", "consigne"}
"""A name with one of these is what was asked for, and not what was measured."""
FIRST = ("elapsed", "elapsed time", "relative time", "time elapsed")
"""Of several columns with a time, one of these is exact; a stamp beside it says when it was."""

_BRACKETS = re.compile(r"^(.*?)[\s_]*[\[(<{]\s*([^\[\](){}<>]*?)\s*[\])>}]\s*$")
_SLASH = re.compile(r"^(.+?)\s*(?:/|\bin\b)\s*(\S+)$")
_LAST = re.compile(r"^(.+)[\s_.\-]+(\S+?)$")
_HUMP = re.compile(r"(?<=[a-z])(?=[A-Z])|(?<=^[VUIPT])(?=[A-Z][a-z])")


@dataclasses.dataclass(frozen=True, slots=True)
class Column:
    """A column that is used. `unit` is None where neither the header nor a person says one."""

    quantity: str
    index: int
    name: str
    unit: Unit | None = None
    said: bool = False
    """The unit was given by a person, or by the file in words of ours: it is not doubted."""


class ColumnsUnclear(ValueError):
    """The columns are not all found. `known`: how many were, to pick the line that is most like a header."""

    def __init__(self, known: int, column: str | None, problem: str) -> None:
        self.known, self.column = known, column
        super().__init__(problem)


def recognise(cells: Sequence[str], options: ReadAs) -> dict[str, Column]:
    """The columns by quantity: always voltage and current, and time unless readings have a given interval; date
    and mode where there are. Raises ColumnsUnclear."""
    if len(cells) < 2:
        raise ColumnsUnclear(0, None, "no columns are told apart in it")
    read = [_read(cell) for cell in cells]
    out: dict[str, Column] = {}
    problem: ColumnsUnclear | None = None
    for quantity in NAMES:
        try:
            found = _given(cells, read, quantity, options) or _found(cells, read, quantity)
        except ColumnsUnclear as e:
            problem = problem or e
            continue
        if found is not None:
            out[quantity] = found
    if "time" not in out and "date" in out:
        out["time"] = dataclasses.replace(out.pop("date"), quantity="time")
    needed = [q for q in ("time", "voltage", "current") if q != "time" or options.interval_s is None]
    missing = [q for q in needed if q not in out]
    if problem is not None:
        raise ColumnsUnclear(len(needed) - len(missing), problem.column, str(problem))
    if missing:
        names = ", ".join(shown(c.strip().strip('"'), 30) for c in cells[:12])
        way = f"say which with --column {missing[0]}=NAME"
        if missing[0] == "time":
            way += ", or --interval S if readings are evenly spaced"
        raise ColumnsUnclear(
            len(needed) - len(missing), missing[0], f"no column for the {missing[0]} among {names}; {way}"
        )
    return {q: _with_unit(c, options) for q, c in out.items()}


def unit_row(cells: Sequence[str], columns: dict[str, Column]) -> dict[str, Column] | None:
    """The columns with the units of a row that holds nothing but units; None when it is no such row."""
    units = {q: unit_of(cells[c.index].strip().strip('"[]()')) for q, c in columns.items() if c.index < len(cells)}
    if any(units.get(q) is None for q in ("voltage", "current")):
        return None
    out = dict(columns)
    for quantity, column in columns.items():
        unit = units.get(quantity)
        if unit is None or column.said:
            continue
        # A lone V or A above it is a name.
        if unit.quantity != quantity or (column.unit not in (None, unit) and len(column.name) > 1):
            raise ColumnsUnclear(3, column.name, f"the row of units says {unit.symbol} for it; give --{quantity}-unit")
        out[quantity] = dataclasses.replace(column, unit=unit)
    return out


def _given(cells: Sequence[str], read: list[tuple[str, Unit | None]], quantity: str, options: ReadAs) -> Column | None:
    """The column that a person named."""
    wanted = options.columns.get(quantity)
    if wanted is None:
        return None
    plain = [c.strip().strip('"').strip() for c in cells]
    same = [n for n, c in enumerate(plain) if c == wanted] or [
        n for n, c in enumerate(plain) if wanted.casefold() in (c.casefold(), read[n][0])
    ]
    if not same and wanted.isdecimal():
        if not 1 <= int(wanted) <= len(cells):
            raise ColumnsUnclear(0, quantity, f"--column {quantity}={wanted}, but there are {len(cells)} columns")
        same = [int(wanted) - 1]
    if len(same) != 1:
        what = "no column has" if not same else f"{len(same)} columns have"
        names = ", ".join(shown(c, 30) for c in plain[:12])
        raise ColumnsUnclear(
            0, quantity, f"--column {quantity}={wanted}: {what} that name among {names}; or give its number"
        )
    unit = read[same[0]][1]
    return Column(quantity, same[0], plain[same[0]], unit if unit and unit.quantity == quantity else None)


def _found(cells: Sequence[str], read: list[tuple[str, Unit | None]], quantity: str) -> Column | None:
    """The one column whose name says this quantity."""
    fits: list[Column] = []
    for n, (name, unit) in enumerate(read):
        cell = cells[n].strip().strip('"').strip()
        if name in NAMES[quantity] or (not name and unit is not None and unit.quantity == quantity):
            if unit is not None and unit.quantity != quantity and quantity in BASE:
                raise ColumnsUnclear(0, cell, f"{shown(cell)} names a {quantity} in {unit.symbol}; rename it, or give "
                                     f"--column {quantity}=NAME")  # fmt: skip
            fits.append(Column(quantity, n, cell, unit))
    if not fits and quantity in BASE:
        # Nobody knows the name, but a unit that is in no other column says what it is.
        only = [n for n, (_, unit) in enumerate(read) if unit is not None and unit.quantity == quantity]
        if len(only) == 1 and not SETTINGS & set(read[only[0]][0].split()):
            fits = [Column(quantity, only[0], cells[only[0]].strip().strip('"').strip(), read[only[0]][1])]
    if len(fits) > 1 and quantity == "time":
        best = [c for c in fits if read[c.index][0] in FIRST] or [c for c in fits if c.unit is not None]
        fits = best if len(best) == 1 else fits
    if len(fits) > 1:
        if quantity in ("mode", "date"):
            return None  # nobody needs them
        names = ", ".join(shown(c.name, 30) for c in fits[:6])
        raise ColumnsUnclear(0, fits[0].name, f"{len(fits)} columns may be the {quantity}: {names}; say which with "
                             f"--column {quantity}=NAME, or {quantity}=NUMBER counted from 1")  # fmt: skip
    return fits[0] if fits else None


def _read(cell: str) -> tuple[str, Unit | None]:
    """A header's cell as name and unit: `U [V]`, `I (mA)`, `current_ma`, `Strom/A`, `Voltage in V`, `mA`."""
    text = cell.strip().strip('"').strip()
    if text in (
        "V",
        "A",
        "W",
        "T",
        "a",
        "w",
    ):  # names as well as units; as units they say no prefix that could be doubted
        return _name(text), unit_of(text)
    if (alone := unit_of(text)) is not None:
        return "", alone
    found = _BRACKETS.match(text)
    if found:
        return _name(found[1]), unit_of(found[2])
    for form in (_SLASH, _LAST):
        found = form.match(text)
        if found and (unit := unit_of(found[2])) is not None:
            return _name(found[1]), unit
    return _name(text), None


def _name(text: str) -> str:
    """Lower case, one blank between words, without the words that change nothing."""
    words = re.split(r"[\s_.\-:]+", _HUMP.sub(" ", text).strip().casefold())
    kept = [w for w in words if w and w not in MEASURED and not re.fullmatch(r"(ch|channel|out|output)?\d{1,2}", w)]
    name = " ".join(kept)
    letter = re.fullmatch(r"([vuip])(?:\d|out|meas)", name)  # V1, Iout
    return letter[1] if letter else name


def _with_unit(column: Column, options: ReadAs) -> Column:
    quantity: Quantity
    for quantity in BASE:
        given = options.unit(quantity)
        if column.quantity == quantity and given is not None:
            return dataclasses.replace(column, unit=given, said=True)
    return column
