"""The readings of a CSV file, line by line or many lines at once.

Lines that are as expected go through numpy's reader by the thousand; any others are looked at one by one, so that what
is wrong is said with its line and column. Memory grows with the readings alone: 26 bytes each, and one column more at
the end.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchd.reading import Mode
from benchd.traces.csv_at_once import LARGEST, MODES, Part, at_once
from benchd.traces.csv_layout import Layout, is_remark, number, split
from benchd.traces.file_error import CsvError, shown
from benchd.traces.samples import Samples
from benchd.traces.table_columns import Column
from benchd.traces.table_times import StampError, Stamps

NO_NUMBER = 9.91e37
"""SCPI-1999 §7.2.1 says 'not a number' by it, and 'infinity' by 9.9E37, which is no reading of a bench."""
MOST_READINGS = 50_000_000
"""A file with more is no power-up, and would take gigabytes of memory."""


class Rows:
    """Takes the lines of one file in order. `time_ns`: how many ns one of its unit of time is."""

    def __init__(self, layout: Layout, name: str, time_ns: float, interval_s: float | None = None) -> None:
        self.layout, self.name, self.interval_s = layout, name, interval_s
        self.stamps = Stamps()
        self.readings = 0
        self._time_ns = time_ns
        self._scales = {q: c.unit.scale if c.unit else 1.0 for q, c in layout.columns.items()}
        self._columns: list[list[NDArray[Any]]] = [[] for _ in range(4)]
        self._last: tuple[int, str] | None = None
        """Time of the last reading, ns, and as it stands in the file."""

    def add(self, lines: Sequence[str], first: int, cut_off: bool = False) -> None:
        """Take lines, `first` the number of the first one. `cut_off`: no line end stands behind the last of them.
        Raises CsvError."""
        part = None if cut_off else self._at_once(lines)
        if part is None:
            part = self._one_by_one(lines, first, cut_off)
        self.readings += len(part[0])
        if self.readings > MOST_READINGS:
            problem = f"more than {MOST_READINGS} readings; cut out the power-up that is to be read"
            raise CsvError(self.name, first, None, problem)
        for k in range(4):
            self._columns[k].append(part[k])

    def samples(self) -> Samples:
        """All readings, once; their times as in the file, in ns."""
        t_ns, volts, amps, modes = (self._column(k) for k in range(4))
        if self.interval_s is not None:
            t_ns = np.rint(np.arange(self.readings) * (self.interval_s * 1e9)).astype(np.int64)
        return Samples(t_ns, volts, amps, modes, np.zeros(self.readings, np.uint8))

    def _column(self, k: int) -> NDArray[Any]:
        """A column in one piece. Its pieces are let go, so that no two columns take memory twice at a time."""
        pieces, self._columns[k] = self._columns[k], []
        return np.concatenate(pieces)

    def _at_once(self, lines: Sequence[str]) -> Part | None:
        """Lines that are as expected, each later than the one before; None where they need a closer look."""
        timed = self.interval_s is None
        part = at_once(lines, self.layout, self._scales, self._time_ns if timed else None)
        if part is None or not timed:
            return part
        before = part.t_ns[0] - 1 if self._last is None else self._last[0]
        if (np.diff(part.t_ns, prepend=before) <= 0).any():
            return None
        text = ""
        if self.layout.stamped:
            text = split(lines[-1], self.layout.delimiter)[self.layout.columns["time"].index]
            self.stamps.ns(text)  # so that it goes on from there
        self._last = int(part.t_ns[-1]), text
        return part

    def _one_by_one(self, lines: Sequence[str], first: int, cut_off: bool) -> Part:
        layout = self.layout
        times: list[int] = []
        volts: list[float] = []
        amps: list[float] = []
        modes: list[int] = []
        mode = layout.columns.get("mode")
        for line, text in enumerate(lines, first):
            if not text.strip() or is_remark(text):
                continue
            ends_here = cut_off and line == first + len(lines) - 1
            cells = split(text, layout.delimiter)
            if len(cells) != layout.width:
                self._wrong_width(cells, text, line, ends_here)
            times.append(self._time(cells, line))
            volts.append(self._value(cells, layout.columns["voltage"], line, ends_here))
            amps.append(self._value(cells, layout.columns["current"], line, ends_here))
            modes.append(self._mode(cells, mode, line) if mode else 0)
        return Part(np.array(times, np.int64), np.array(volts, float), np.array(amps, float), np.array(modes, np.uint8))

    def _wrong_width(self, cells: list[str], text: str, line: int, ends_here: bool) -> None:
        layout = self.layout
        names = layout.names
        place = names[len(cells)] if len(cells) < len(names) else str(layout.width + 1)
        hint = ""
        if ends_here and len(cells) < layout.width:
            hint = "; the file ends within this line and was cut off: get it whole, or remove the line"
        elif layout.delimiter != ";" and ";" in text:
            hint = "; use one delimiter in all lines"
        elif layout.delimiter == "," and len(cells) > layout.width:
            hint = "; a comma cannot part columns and be the decimal mark as well, unless numbers stand in quotes"
        raise CsvError(
            self.name, line, place, f"{len(cells)} columns, wanted {shown(','.join(names), 100)[1:-1]}{hint}"
        )

    def _time(self, cells: list[str], line: int) -> int:
        column = self.layout.columns.get("time")
        if column is None or self.interval_s is not None:
            return 0
        text = cells[column.index].strip().strip('"').strip()
        if self.layout.stamped:
            if (date := self.layout.columns.get("date")) is not None:
                text = f"{cells[date.index].strip()} {text}"
            try:
                t_ns = self.stamps.ns(text)
            except StampError as e:
                raise CsvError(self.name, line, column.name, f"{shown(text)} given; {e}") from None
        else:
            t_ns = round(self._number(text, column, line) * self._time_ns)
        if self._last is not None and t_ns <= self._last[0]:
            self._not_after(text, t_ns, column, line)
        self._last = t_ns, text
        return t_ns

    def _not_after(self, text: str, t_ns: int, column: Column, line: int) -> None:
        assert self._last is not None
        if self.layout.stamped:
            said, was = shown(text), shown(self._last[1])
        else:
            unit = column.unit.symbol if column.unit else "s"
            said, was = f"{t_ns / self._time_ns:.12g} {unit}", f"{self._last[0] / self._time_ns:.12g} {unit}"
        hint = ""
        if t_ns == self._last[0]:
            hint = "; two readings of one moment are not told apart: take times with more digits, or say --interval S"
            hint += " if readings are evenly spaced"
        raise CsvError(self.name, line, column.name, f"{said} does not come after {was} on the line before{hint}")

    def _value(self, cells: list[str], column: Column, line: int, ends_here: bool) -> float:
        """A voltage or current in V or A; NaN where there is none."""
        text = cells[column.index].strip().strip('"').strip()
        if not text and ends_here and column.index == len(cells) - 1:
            problem = "the file ends within this line and was cut off: get it whole, or remove the line"
            raise CsvError(self.name, line, column.name, problem)
        if not text:
            return float("nan")
        return self._number(text, column, line) * self._scales[column.quantity]

    def _number(self, text: str, column: Column, line: int) -> float:
        value = number(text, self.layout.decimal)
        nothing = column.quantity != "time"
        if value is not None and nothing and (value != value or value == NO_NUMBER):
            return float("nan")
        scale = self._time_ns / 1e9 if column.quantity == "time" else self._scales[column.quantity]
        largest = LARGEST[column.quantity] / scale
        if value is None or not -largest <= value <= largest:
            hint = ""
            if "," in text and self.layout.decimal == ".":
                hint = "; say --decimal comma if the comma is the decimal mark; marks between thousands are not read"
            elif "." in text and self.layout.decimal == ",":
                hint = "; the decimal mark of this file is the comma; marks between thousands are not read"
            allowed = f"a number from {-largest:g} to {largest:g}"
            raise CsvError(self.name, line, column.name, f"{shown(text)} given; allowed: {allowed}{hint}")
        return value

    def _mode(self, cells: list[str], column: Column, line: int) -> Mode:
        text = cells[column.index].strip().strip('"')
        mode = MODES.get(text.lower())
        if mode is None:
            raise CsvError(self.name, line, column.name, f"{shown(text)}; allowed: {', '.join(MODES)}")
        return mode
