"""Traces from CSV files: `time_s,voltage_v,current_a`, comment lines `# key: value` above the header.

Keys (all may be missing; empty, `none` or `unknown` also says: not known):

    units               of time, voltage and current, as `s V A`: what stands here is not doubted
    set_voltage_v       what the supply was set to, V
    limit_a             its current limit, A
    resolution_a        smallest step of the current reading, A
    resolution_v        the same of the voltage reading, V
    accuracy_fraction_a accuracy of current readings, ± (fraction of the reading + offset): the fraction
    accuracy_offset_a   the offset, A
    accuracy_fraction_v the same for voltage readings
    accuracy_offset_v   the offset, V
    lead_ohm            both leads together, from where the voltage is measured to the board, Ω
    lead_u_ohm          its expanded uncertainty (k = 2), Ω
    board               any text; kept as data, never interpreted
    side                where it is fed: battery (or another input) or usb
    button_s, connected_s, removed_s, boot_end_s    given by a person: when, in the file's own time
    tripped_s, off_s    given by the bench: when the output was switched off

Older files have accuracy_fraction for accuracy_fraction_a. An optional column `mode` says cv, cc, off or unknown. A
reading that is empty, `nan` or 9.91E37 is none; its time stays.

Tables of other programs are read too: see `csv_layout` (delimiters, decimal comma, lines above the header),
`table_columns` (names and units), `table_times` (dates and clocks) and `plausible` (units that cannot be). Where times
are dates, t = 0 is the first reading, and keys with times count from there.

A comment line may stand in quotes, as one cell. `csv_write` writes such files.

Errors: everything wrong with a file is a `CsvError`.
"""

from __future__ import annotations

import codecs
import dataclasses
import io
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import BinaryIO, Literal, TextIO

import numpy as np

from benchd.traces import plausible
from benchd.traces.csv_head import MARK_KEYS, Head, read_head, units_said
from benchd.traces.csv_layout import FIRST_LINES, Layout, find_layout, number
from benchd.traces.csv_rows import Rows
from benchd.traces.file_error import CsvError as CsvError
from benchd.traces.from_file import FromFile, conditions_with, mark_ns, with_button
from benchd.traces.table_options import AS_IT_SAYS, ReadAs
from benchd.traces.trace import Mark, Trace

BY_GUARD = ("tripped", "off")
BLOCK = 1 << 22
"""Characters that are looked at together."""
LONGEST_LINE = 1 << 16
"""A longer line is of no table."""


def load_csv(path: Path | str, options: ReadAs = AS_IT_SAYS) -> Trace:
    """Read a trace from a file, see `read_csv`. Raises CsvError."""
    return read_csv(path, options).trace


def read_csv(path: Path | str, options: ReadAs = AS_IT_SAYS) -> FromFile:
    """Read a trace from a file in UTF-8, UTF-16 with its byte order mark, or Latin-1, and what is to be said of it.
    Raises CsvError."""
    name = str(path)
    try:
        with open(path, "rb") as file:
            # A pipe gives what it has once only.
            raw: BinaryIO = file if file.seekable() else io.BytesIO(file.read())
            return _decoded(raw, name, options)
    except (OSError, ValueError) as e:
        if isinstance(e, CsvError):
            raise
        raise CsvError(name, None, None, f"cannot be read: {getattr(e, 'strerror', None) or e}") from e


def _decoded(raw: BinaryIO, name: str, options: ReadAs) -> FromFile:
    utf16 = raw.read(2) in (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
    for coding in ("utf-16",) if utf16 else ("utf-8-sig", "latin-1"):
        raw.seek(0)
        stream = io.TextIOWrapper(raw, coding)
        try:
            return _parse(stream, name, options)
        except UnicodeDecodeError as e:
            if coding == "utf-16":
                raise CsvError(name, None, None, f"is not UTF-16 text, as its first bytes say: {e.reason}") from e
        finally:
            stream.detach()
    raise AssertionError("every byte is a letter of Latin-1")


def parse_csv(text: str, name: str = "csv", options: ReadAs = AS_IT_SAYS) -> Trace:
    """Read a trace from a file's text; `name` is what errors call it. Raises CsvError."""
    return _parse(io.StringIO(text.removeprefix("\ufeff"), newline=None), name, options).trace


def _parse(stream: TextIO, name: str, options: ReadAs) -> FromFile:
    blocks = _blocks(stream, name)
    lines, ended = next(blocks, ([], True))
    layout = find_layout(lines[:FIRST_LINES], name, options)
    head = read_head(layout.remarks, name)
    layout.columns = units_said(layout.columns, head.units, name)
    time_ns, notes = _time(layout, options, name)
    rows = Rows(layout, name, time_ns, options.interval_s)
    first, before = layout.data_line, ""
    lines = lines[first - 1 :]
    while True:
        rows.add(lines, first, cut_off=not ended)
        if lines and not ended and len(lines[-1]) < len(before):
            notes.append("its last line has no end and is short: if the file was cut off, its last reading is wrong")
        first += len(lines)
        before = lines[-1] if lines else ""
        following = next(blocks, None)
        if following is None:
            break
        lines, ended = following
    if not rows.readings:
        raise CsvError(name, None, None, "has a header but no readings")
    return _whole(rows, layout, head, options, name, notes)


def _blocks(stream: TextIO, name: str) -> Iterator[tuple[list[str], bool]]:
    """Whole lines, many at a time, and whether a line end stands behind the last of them."""
    rest, line = "", 1
    while block := stream.read(BLOCK):
        if "\0" in block:
            at = line + (rest + block[: block.index("\0")]).count("\n")
            raise CsvError(name, at, None, "is not text (byte 0x00); save it as CSV in UTF-8")
        lines = (rest + block).split("\n")
        rest = lines.pop()
        if max(map(len, (*lines, rest))) > LONGEST_LINE:
            at = next(n for n, x in enumerate((*lines, rest), line) if len(x) > LONGEST_LINE)
            raise CsvError(name, at, None, f"has more than {LONGEST_LINE} characters and is of no table")
        line += len(lines)
        if lines:
            yield lines, True
    if rest:
        yield [rest], False


def _time(layout: Layout, options: ReadAs, name: str) -> tuple[float, list[str]]:
    """How many ns one of the column of times is, and what to say about the columns. Raises CsvError."""
    column = layout.columns.get("time")
    time_ns = 1e9
    if options.interval_s is not None:
        layout.columns.pop("date", None)
    elif layout.stamped:
        if column is not None and options.unit("time") is not None:
            problem = "is a date or clock; --time-unit is for numbers"
            raise CsvError(name, layout.data_line, column.name, problem)
    elif column is not None:
        first = [t for t in (number(text, layout.decimal) for text in layout.first_times) if t is not None]
        unit, doubt = plausible.time_unit(column, first)
        if doubt:
            raise CsvError(name, None, column.name, doubt)
        layout.columns["time"] = dataclasses.replace(column, unit=unit)
        time_ns = unit.scale * 1e9
    return time_ns, _notes(layout, options)


def _notes(layout: Layout, options: ReadAs) -> list[str]:
    """What was taken for granted."""
    notes = []
    for quantity, base in (("voltage", "V"), ("current", "A")):
        column = layout.columns[quantity]
        if column.unit is None:
            notes.append(f"the {quantity} column has no unit and is taken as {base}")
    if layout.passed_over:
        notes.append(f"passed over: {', '.join(layout.passed_over[:20])}")
    if options.interval_s is not None and "time" in layout.columns:
        notes.append(f"the file's times are not read; readings are taken as {options.interval_s:g} s apart")
    return notes


def _whole(rows: Rows, layout: Layout, head: Head, options: ReadAs, name: str, notes: list[str]) -> FromFile:
    samples = rows.samples()
    conditions = conditions_with(head.trace_conditions(), options)
    counted = not layout.stamped and options.interval_s is None
    columns = {q: c for q, c in layout.columns.items() if q != "time" or counted}
    doubt = plausible.doubts(samples, columns, conditions)
    if doubt is not None:
        raise CsvError(name, None, *doubt)
    first_ns = int(samples.t_ns[0])
    dated = plausible.is_date(first_ns / 1e9)
    if layout.stamped and dated and not rows.stamps.zoned:
        notes.append("its dates name no time zone and are taken as UTC")
    if layout.stamped and not dated:
        samples = dataclasses.replace(samples, t_ns=samples.t_ns - first_ns)
    missing = int((np.isnan(samples.voltage_v) | np.isnan(samples.current_a)).sum())
    if missing:
        notes.append(f"{missing} of {len(samples)} readings lack a voltage or current")
    trace = Trace(samples, first_ns if dated else 0, conditions)
    trace = dataclasses.replace(trace, marks=_marks(head, trace, name))
    return FromFile(with_button(trace, options, CsvError, name), tuple(notes))


def _marks(head: Head, trace: Trace, name: str) -> tuple[Mark, ...]:
    marks = []
    for key, (at_s, line) in head.marks.items():
        kind = MARK_KEYS[key]
        by: Literal["guard", "hand"] = "guard" if kind in BY_GUARD else "hand"
        marks.append(Mark(kind, mark_ns(at_s, trace, partial(CsvError, name, line, key)), by))
    return tuple(sorted(marks, key=lambda m: m.t_ns))
