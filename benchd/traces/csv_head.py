"""What stands above the readings of a CSV file as `# key: value`: how the trace was measured, and its marks.

The keys are told in `csvfile`. Other remarks are not read, but a key that is nearly one of ours is taken for a slip of
the pen and refused.
"""

from __future__ import annotations

import dataclasses
import difflib
import re
from collections.abc import Iterable
from typing import Any, cast

from benchd.traces.csv_layout import number
from benchd.traces.file_error import CsvError
from benchd.traces.table_columns import Column
from benchd.traces.table_units import Quantity, Unit, unit_of
from benchd.traces.trace import Conditions, MarkKind

CONDITION_RANGES = {
    "set_voltage_v": (0.0, 1e4),
    "limit_a": (0.0, 1e4),
    "resolution_a": (0.0, 1.0),
    "accuracy_fraction_a": (0.0, 1.0),
    "accuracy_offset_a": (0.0, 1e4),
    "accuracy_fraction_v": (0.0, 1.0),
    "accuracy_offset_v": (0.0, 1e4),
    "resolution_v": (0.0, 100.0),
    "lead_ohm": (0.0, 1000.0),
    "lead_u_ohm": (0.0, 1000.0),
}
OLDER = {"accuracy_fraction": "accuracy_fraction_a"}
"""Keys that files of earlier versions have, and what they are called now."""
MARK_KEYS: dict[str, MarkKind] = {
    "button_s": "button",
    "connected_s": "connected",
    "removed_s": "removed",
    "boot_end_s": "boot-end",
    "tripped_s": "tripped",
    "off_s": "off",
}
UNITS = "units"
SIDES = ("battery", "usb")
"""What `side` may say, see `Conditions.side`."""
KEYS = (*CONDITION_RANGES, "board", "side", UNITS, *MARK_KEYS)
MEASURES: tuple[Quantity, ...] = ("time", "voltage", "current")
"""In this order their units stand behind the key `units`."""

_COMMENT = re.compile(r"#\s*([A-Za-z][A-Za-z0-9_\- ]{0,60}?)\s*[:=]\s*(.*)")


@dataclasses.dataclass
class Head:
    """What the remarks of a file say."""

    conditions: dict[str, float] = dataclasses.field(default_factory=dict)
    marks: dict[str, tuple[float, int]] = dataclasses.field(default_factory=dict)
    """Key to (time s, line number)."""
    board: str = ""
    side: str = ""
    units: dict[Quantity, Unit] = dataclasses.field(default_factory=dict)

    def trace_conditions(self) -> Conditions:
        """The same as a trace has it."""
        numbers: dict[str, Any] = dict(self.conditions)
        return Conditions(**numbers, board=self.board, side=self.side)


def read_head(remarks: Iterable[tuple[int, str]], name: str) -> Head:
    """The keys among numbered lines that begin with #. Raises CsvError."""
    head = Head()
    seen: set[str] = set()
    for line, text in remarks:
        found = _COMMENT.fullmatch(text.strip())
        if not found:
            continue
        key = OLDER.get(found[1].lower(), found[1].lower())
        if key in KEYS and key in seen:
            raise CsvError(name, line, key, "is given twice; give it once")
        seen.add(key)
        _take(head, key, found[2].strip(), line, name)
    return head


def units_said(columns: dict[str, Column], units: dict[Quantity, Unit], name: str) -> dict[str, Column]:
    """The columns with units that the file states in its remarks. Raises CsvError where its header says otherwise."""
    out = dict(columns)
    for quantity, unit in units.items():
        column = columns.get(quantity)
        if column is None or column.said:
            continue
        if column.unit is not None and column.unit != unit:
            problem = f"its header says {column.unit.symbol}, the remark `units` {unit.symbol}; give --{quantity}-unit"
            raise CsvError(name, None, column.name, problem)
        out[quantity] = dataclasses.replace(column, unit=unit, said=True)
    return out


def _take(head: Head, key: str, value: str, line: int, name: str) -> None:
    if key not in KEYS:
        near = difflib.get_close_matches(key.replace("-", "_").replace(" ", "_"), KEYS, 1, 0.72)
        if near:
            raise CsvError(name, line, None, f"unknown key {key!r}; meant {near[0]!r}? Allowed: {', '.join(KEYS)}")
        return
    if key == "board":
        head.board = value
        return
    if value.lower() in ("", "none", "unknown"):
        return
    if key == "side":
        if value.lower() not in SIDES:
            raise CsvError(name, line, key, f"{value!r}; allowed: {', '.join(SIDES)}, or leave it empty")
        head.side = value.lower()
        return
    if key == UNITS:
        head.units = _units(value, line, name)
        return
    given = number(value)
    if given is None or given != given or given in (float("inf"), float("-inf")):
        raise CsvError(name, line, key, f"{value!r} is not a number; write it like 4.0, or leave it empty")
    if key in MARK_KEYS:
        head.marks[key] = given, line
        return
    low, high = CONDITION_RANGES[key]
    above = given >= low if key.startswith(("accuracy", "lead")) else given > low
    if not (above and given <= high):
        raise CsvError(name, line, key, f"{value} is out of range: above {low:g}, at most {high:g}")
    head.conditions[key] = given


def _units(value: str, line: int, name: str) -> dict[Quantity, Unit]:
    words = value.replace(",", " ").split()
    units = [unit_of(word) for word in words]
    if [u and u.quantity for u in units] != list(MEASURES):
        raise CsvError(name, line, UNITS, f"{value!r}; wanted the units of time, voltage and current, as in: s V A")
    return {u.quantity: u for u in cast("list[Unit]", units)}
