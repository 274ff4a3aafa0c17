"""How a text file is laid out as a table: what stands above it, its delimiter, its decimal mark, its columns.

Told from the first lines. What could be two things is asked, never guessed.
"""

from __future__ import annotations

import csv
import dataclasses
import re
from collections.abc import Iterator, Sequence
from typing import NamedTuple

from benchd.traces.file_error import CsvError, shown
from benchd.traces.table_columns import Column, ColumnsUnclear, recognise, unit_row
from benchd.traces.table_options import ReadAs
from benchd.traces.table_times import StampError, Stamps

FIRST_LINES = 400
"""So many lines are looked at."""
DELIMITERS = (",", ";", "\t", "|", " ")
"""Tried in this order. A blank is any run of blanks."""
REMARKS = ("#", "%", "//")
"""A line that begins so is a remark: no number does."""
WANTED = "time_s,voltage_v,current_a"

_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2}(?:,\d{3})+")
_COMMA_NUMBER = re.compile(r"[+-]?\d*,\d+(?:[eE][+-]?\d+)?|[+-]?\d{1,3}(?:,\d{3})+")


@dataclasses.dataclass
class Layout:
    """A table in a text file."""

    delimiter: str
    decimal: str
    columns: dict[str, Column]
    """By quantity."""
    names: list[str]
    """Of all columns, used or not; their numbers where there is no header."""
    width: int
    """How many columns there are."""
    data_line: int
    """Number of the line, from 1, from which readings stand."""
    remarks: list[tuple[int, str]]
    """Lines above the readings that begin with #, by their numbers."""
    passed_over: list[str]
    """Columns that are not read, and lines above the header that say nothing here."""
    stamped: bool = False
    """Times are dates or clocks."""
    first_times: list[str] = dataclasses.field(default_factory=list)
    """The times of the first lines, as they stand."""


def split(line: str, delimiter: str) -> list[str]:
    """A line's cells; quotes as RFC 4180 §2 has them."""
    if delimiter == " ":
        return line.split()
    return next(csv.reader([line], delimiter=delimiter)) if '"' in line else line.split(delimiter)


def is_remark(line: str) -> bool:
    """The line is a remark, whatever it says; it may be one cell in quotes."""
    return line.lstrip().removeprefix('"').startswith(REMARKS)


def _remark(line: str) -> str:
    """A remark as it was meant, without the quotes around it."""
    return split(line.strip(), ",")[0] if line.lstrip().startswith('"') else line


def number(cell: str, decimal: str = ".") -> float | None:
    """A number as it stands in a cell; None for anything else. Python's own `1_000` is none, nor is `1,234.5`."""
    text = cell.strip().strip('"').strip()
    if decimal == ",":
        if "." in text:
            return None
        text = text.replace(",", ".")
    if "_" in text:
        return None
    try:
        return float(text)
    except ValueError:
        return None


def find_layout(lines: Sequence[str], name: str, options: ReadAs) -> Layout:
    """The layout by a file's first lines. Raises CsvError."""
    remarks: list[tuple[int, str]] = []
    above: list[str] = []
    best: tuple[int, int, CsvError] | None = None
    for n, line in _told(lines[:FIRST_LINES], 1):
        if is_remark(line):
            if (remark := _remark(line)).lstrip().startswith("#"):
                remarks.append((n, remark))
            continue
        if (at := _data_delimiter(line, options)) is not None:
            if best is not None:
                raise best[2]
            return _without_header(lines, n, at, remarks, above, name, options)
        found = _header(line, options)
        if isinstance(found, ColumnsUnclear):
            place = found.column and shown(found.column)[1:-1]
            fault = CsvError(name, n, place, f"{found} (in {shown(line.strip(), 80)})")
            if found.known and (best is None or (found.known, len(line)) > best[:2]):
                best = found.known, len(line), fault
            above.append(line.strip())
            continue
        delimiter, columns = found
        table = _Table(n, delimiter, columns, split(line, delimiter))
        return _below(lines, table, remarks, above, name, options)
    if best is not None:
        raise best[2]
    if above:
        problem = f"no line in it names columns of time, voltage and current; wanted a header line {WANTED}"
        raise CsvError(name, None, None, problem + ", or names like Time (ms), U [V], I (mA)")
    raise CsvError(name, None, None, f"is empty: wanted a header line {WANTED} and readings below it")


def _told(lines: Sequence[str], first: int) -> Iterator[tuple[int, str]]:
    return ((n, line) for n, line in enumerate(lines, first) if line.strip())


def _delimiters(options: ReadAs) -> tuple[str, ...]:
    return DELIMITERS if options.delimiter is None else (options.delimiter,)


def _header(line: str, options: ReadAs) -> tuple[str, dict[str, Column]] | ColumnsUnclear:
    """Delimiter and columns, or how far the line is from being a header."""
    if options.numbers_only():
        return ColumnsUnclear(0, None, "no line below it has numbers in the columns that were given")
    unclear: list[ColumnsUnclear] = []
    apart = any(len(split(line, d)) > 2 for d in _delimiters(options) if d != " ")
    for delimiter in _delimiters(options):
        if delimiter == " " and apart:
            continue  # blanks belong to the names: `time (us),vbus (mV)`
        try:
            return delimiter, recognise(split(line, delimiter), options)
        except ColumnsUnclear as e:
            # A sentence has blanks too.
            unclear.append(e if delimiter != " " or e.known > 1 else ColumnsUnclear(0, None, str(e)))
    return max(unclear, key=lambda e: e.known)


def _is_stamp(cell: str) -> bool:
    try:
        Stamps().ns(cell)
    except StampError:
        return False
    return True


def _data_delimiter(line: str, options: ReadAs) -> str | None:
    """The delimiter of a line of readings; None when it is no such line.

    It is one if the columns that a person named by number hold numbers, or else if every cell is empty, a number or a
    stamp and two at least are numbers: no header is like that. The comma comes late, since it may be a decimal mark.
    """
    wanted = [int(options.columns[q]) for q in ("voltage", "current") if options.numbers_only()]
    for delimiter in sorted(_delimiters(options), key=";\t|, ".index):
        cells = [c.strip().strip('"').strip() for c in split(line, delimiter)]
        numbers = [number(c) is not None or number(c, ",") is not None for c in cells]
        if wanted:
            fits = all(1 <= n <= len(cells) and numbers[n - 1] for n in wanted)
        else:
            fits = sum(numbers) >= 2 and all(n or not c or _is_stamp(c) for n, c in zip(numbers, cells, strict=True))
        if fits and len(cells) >= 2:
            return delimiter
    return None


def _without_header(
    lines: Sequence[str],
    n: int,
    delimiter: str,
    remarks: list[tuple[int, str]],
    above: list[str],
    name: str,
    options: ReadAs,
) -> Layout:
    """Readings begin before a header was found: the last remark may be one, or a person has named columns by number."""
    width = len(split(lines[n - 1], delimiter))
    if options.numbers_only():
        before = [line for _, line in _told(lines[: n - 1], 1) if not is_remark(line)]
        names = split(before[-1], delimiter) if before else []
        named = len(names) == width
        try:
            cells = names if named else [str(k) for k in range(1, width + 1)]
            columns = recognise(cells, options)
        except ColumnsUnclear as e:
            raise CsvError(name, n, None, str(e)) from e
        table = _Table(n - 1, delimiter, columns, cells)
        return _below(lines, table, remarks, above[:-1] if named else above, name, options)
    if remarks:
        at, text = remarks[-1]
        cells = split(text.strip().lstrip("# "), delimiter)
        try:
            columns = recognise(cells, options)
        except ColumnsUnclear:
            pass
        else:
            if len(cells) == width:
                rest = [r for r in remarks if r[0] != at]
                return _below(lines, _Table(n - 1, delimiter, columns, cells), rest, above, name, options)
    problem = f"readings begin, but no line above names their columns; wanted a header line {WANTED}, or say which is "
    raise CsvError(name, n, None, problem + "which, as in --column time=1 --column voltage=2 --column current=3")


class _Table(NamedTuple):
    """What is known once the columns are."""

    header: int
    """Number of the line above the first that may hold readings; 0 where there is none."""
    delimiter: str
    columns: dict[str, Column]
    names: list[str]


def _below(
    lines: Sequence[str],
    found: _Table,
    remarks: list[tuple[int, str]],
    above: list[str],
    name: str,
    options: ReadAs,
) -> Layout:
    """The layout, from what stands below the header."""
    header, delimiter, columns, cells = found
    rows = [(n, line) for n, line in _told(lines[header:FIRST_LINES], header + 1) if not is_remark(line)]
    data_line = header + 1
    if rows:
        first = split(rows[0][1], delimiter)
        try:
            with_units = unit_row(first, columns)
        except ColumnsUnclear as e:
            raise CsvError(name, rows[0][0], e.column, str(e)) from e
        if with_units is not None:
            columns, data_line, rows = with_units, rows[0][0] + 1, rows[1:]
    table = [(n, split(line, delimiter)) for n, line in rows]
    width = _width(cells, [r for _, r in table])
    table = [(n, r) for n, r in table if len(r) == width]
    cells = [c.strip().strip('"').strip() for c in cells]
    used = {c.index for c in columns.values()}
    over = [shown(c, 30) for k, c in enumerate(cells) if k not in used and c]
    decimal = _decimal(table, columns, name, options)
    layout = Layout(delimiter, decimal, columns, cells, width, data_line, remarks, over)
    if above:
        layout.passed_over.append(f"{len(above)} line{'s' if len(above) > 1 else ''} above the header")
    _times(layout, table)
    return layout


def _width(names: list[str], rows: list[list[str]]) -> int:
    """How many columns there are: as many as have names, but for a delimiter at the end of lines or of the header."""
    if rows and len(rows[0]) == len(names) + 1 and all(not r[-1].strip() for r in rows):
        return len(rows[0])
    if rows and len(rows[0]) == len(names) - 1 and not names[-1].strip():
        return len(rows[0])
    return len(names)


def _decimal(table: list[tuple[int, list[str]]], columns: dict[str, Column], name: str, options: ReadAs) -> str:
    """The decimal mark, by the numbers of the first lines. Raises CsvError where it cannot be told."""
    if options.decimal is not None:
        return options.decimal
    point = comma = None
    certain = False
    for n, row in table:
        for quantity in ("time", "voltage", "current"):
            column = columns.get(quantity)
            cell = row[column.index].strip().strip('"').strip() if column else ""
            if "." in cell and "," in cell and (column and quantity != "time"):
                raise CsvError(name, n, column.name, f"{shown(cell)} has a comma and a point; write numbers without "
                               "marks between the thousands")  # fmt: skip
            if "," in cell and _COMMA_NUMBER.fullmatch(cell):
                comma = comma or (n, quantity, cell)
                certain = certain or not _THOUSANDS.fullmatch(cell)
            elif "." in cell and number(cell) is not None:
                point = point or (n, quantity, cell)
    if comma is None:
        return "."
    n, quantity, cell = comma
    if point is not None:
        raise CsvError(name, n, columns[quantity].name, f"{shown(cell)} has a comma, {shown(point[2])} in line "
                       f"{point[0]} a point; write numbers without marks between the thousands")  # fmt: skip
    if not certain:
        raise CsvError(name, n, columns[quantity].name, f"{shown(cell)} may be a fraction or thousands; say "
                       "--decimal comma if it is a fraction")  # fmt: skip
    return ","


def _times(layout: Layout, table: list[tuple[int, list[str]]]) -> None:
    """Whether times are stamps; a day in a column of its own is used with a clock only."""
    column = layout.columns.get("time")
    if column is None:
        layout.columns.pop("date", None)
        return
    layout.first_times = [row[column.index] for _, row in table]
    layout.stamped = bool(layout.first_times) and number(layout.first_times[0], layout.decimal) is None
    if not layout.stamped and (date := layout.columns.pop("date", None)) is not None:
        layout.passed_over.append(shown(date.name, 30))
    mode = layout.columns.get("mode")
    ours = {c.casefold() for c in layout.names} == {*WANTED.split(","), "mode"}
    if mode is not None and not ours and table and not _says_mode(table[0][1][mode.index]):
        del layout.columns["mode"]
        layout.passed_over.append(shown(mode.name, 30))


def _says_mode(cell: str) -> bool:
    return cell.strip().strip('"').lower() in ("cv", "cc", "off", "unknown")
