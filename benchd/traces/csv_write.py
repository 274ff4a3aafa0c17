"""Traces and readings written as CSV, by RFC 4180: lines end with CR LF, text with a comma, a quote or a line break
stands in quotes.

A trace is written as `csvfile` reads it: `time_s,voltage_v,current_a`, and `mode` where it is known, below lines
`# key: value`, each of which is one cell (§2, 4 would have as many cells in every line). Readings of a time range have
dates (RFC 3339, UTC, ns) in a column `time`; those of several traces also say which, in a table for other programs.

Text that a spreadsheet would run as a formula (= + - @ tab or CR first; OWASP, "CSV Injection") gets an apostrophe
before it. Numbers are written as numbers, also negative ones.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import NamedTuple

import numpy as np

from benchd.reading import Mode
from benchd.traces.csv_at_once import MODES
from benchd.traces.csv_head import CONDITION_RANGES, MARK_KEYS, SIDES, UNITS
from benchd.traces.long_trace import LongTrace
from benchd.traces.samples import Samples
from benchd.traces.trace import Trace

EOL = "\r\n"
COLUMNS = ("time_s", "voltage_v", "current_a")
TABLE_COLUMNS = ("supply", "channel", "trace", "time", "voltage_v", "current_a", "mode")
WORDS = {int(mode): word for word, mode in MODES.items()}
WRITTEN_AT_ONCE = 20_000
"""Readings that become text together."""
_FORMULA = ("=", "+", "-", "@", "\t", "\r")
_QUOTED = (",", '"', "\r", "\n")


class Named(NamedTuple):
    """A trace among several."""

    supply: str
    channel: int
    id: str
    pieces: Iterable[Samples]


def csv_text(trace: Trace) -> str:
    """The trace as the text of such a file: times relative to its start, exact to 1 ns. Marks made by the recogniser
    and flags of readings are left out; line breaks in the board's name become spaces."""
    return "".join(csv_pieces(LongTrace.of(trace)))


def csv_pieces(trace: LongTrace) -> Iterator[str]:
    """The same text, in pieces, so that a long trace needs no text of its own length."""
    with_mode = trace.with_mode()
    yield _lines([*_head_lines(trace), ",".join(COLUMNS) + (",mode" if with_mode else "")])
    for part in _parts(trace.pieces()):
        times = [_seconds(ns) for ns in (part.t_ns - trace.start_ns).tolist()]
        yield _lines(_rows(times, part, with_mode))


def range_pieces(trace: LongTrace) -> Iterator[str]:
    """Readings with their dates: what `csvfile` reads as well, times to the ns."""
    with_mode = trace.with_mode()
    yield _lines(["time,voltage_v,current_a" + (",mode" if with_mode else "")])
    for part in _parts(trace.pieces()):
        yield _lines(_rows(_dates(part), part, with_mode))


def table_pieces(traces: Iterable[Named]) -> Iterator[str]:
    """Several traces in one table, one after the other."""
    yield _lines([",".join(TABLE_COLUMNS)])
    for trace in traces:
        head = f"{cell(trace.supply)},{trace.channel},{cell(trace.id)},"
        for part in _parts(trace.pieces):
            yield _lines([head + row for row in _rows(_dates(part), part, True)])


def cell(text: str) -> str:
    """A text as a cell that no spreadsheet runs, in quotes where it needs them (RFC 4180 §2, 5 to 7)."""
    if text.startswith(_FORMULA):
        text = "'" + text
    return '"' + text.replace('"', '""') + '"' if any(c in text for c in _QUOTED) else text


def _lines(lines: Iterable[str]) -> str:
    return "".join(line + EOL for line in lines)


def _parts(pieces: Iterable[Samples]) -> Iterator[Samples]:
    for piece in pieces:
        for at in range(0, len(piece), WRITTEN_AT_ONCE):
            yield piece[at : at + WRITTEN_AT_ONCE]


def _rows(times: list[str], part: Samples, with_mode: bool) -> list[str]:
    columns = times, part.voltage_v.tolist(), part.current_a.tolist()
    if not with_mode:
        return [f"{t},{v!r},{i!r}" for t, v, i in zip(*columns, strict=True)]
    modes = [WORDS.get(m, WORDS[Mode.UNKNOWN]) for m in part.mode.tolist()]
    return [f"{t},{v!r},{i!r},{m}" for t, v, i, m in zip(*columns, modes, strict=True)]


def _dates(part: Samples) -> list[str]:
    """RFC 3339, UTC."""
    return [f"{text}Z" for text in np.datetime_as_string(part.t_ns.view("datetime64[ns]"), unit="ns").tolist()]


def _head_lines(trace: LongTrace) -> list[str]:
    out = [f"# {UNITS}: s V A"]
    for key in CONDITION_RANGES:
        value = getattr(trace.conditions, key)
        if value is not None:
            out.append(f"# {key}: {value!r}")
    if trace.conditions.board.strip():
        out.append(cell(f"# board: {' '.join(trace.conditions.board.split())}"))
    if trace.conditions.side in SIDES:
        out.append(f"# side: {trace.conditions.side}")
    for key, kind in MARK_KEYS.items():
        at_ns = min((m.t_ns for m in trace.marks if m.kind == kind and m.by != "recogniser"), default=None)
        if at_ns is not None:
            out.append(f"# {key}: {_seconds(at_ns - trace.start_ns)}")
    return out


def _seconds(ns: int) -> str:
    whole, part = divmod(abs(ns), 1_000_000_000)
    return f"{'-' if ns < 0 else ''}{whole}.{part:09d}"
