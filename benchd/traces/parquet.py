"""Traces as Parquet files (Apache Parquet), by pyarrow, which is an extra: `pip install 'benchd[parquet]'`.

Written by benchd they have the columns time (timestamp, ns, UTC), voltage_v and current_a (double), mode and flags
(uint8), and a JSON object under the key `benchd` of the schema's metadata: format, start_ns, conditions and marks. What
is read from such a file is the very trace that was written. Files of format 1 have t_ns (int64, ns since the epoch) in
the place of time. Other files are read by the names and units of their columns, as CSV files are. A table of several
traces has columns supply, channel and trace before these; it is for other programs.

Errors: everything wrong with a file is a `ParquetError`.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable
from pathlib import Path
from typing import Any, BinaryIO

import msgspec
import numpy as np
from numpy.typing import NDArray

from benchd.reading import Mode
from benchd.traces import plausible
from benchd.traces.csv_at_once import LARGEST
from benchd.traces.csv_head import CONDITION_RANGES
from benchd.traces.csv_rows import MOST_READINGS
from benchd.traces.csv_write import Named
from benchd.traces.file_error import ParquetError, shown
from benchd.traces.from_file import FromFile, conditions_with, with_button
from benchd.traces.long_trace import LongTrace
from benchd.traces.samples import Samples
from benchd.traces.table_columns import Column, ColumnsUnclear, recognise
from benchd.traces.table_options import AS_IT_SAYS, ReadAs
from benchd.traces.trace import Conditions, Mark, Trace

KEY = b"benchd"
FORMAT = 2
MAGIC = b"PAR1"
"""The first and last four bytes of a Parquet file (Apache Parquet format, file format)."""
OURS = {"voltage_v": np.float64, "current_a": np.float64, "mode": np.uint8, "flags": np.uint8}
TIMES = {1: ("t_ns", "int64"), 2: ("time", "datetime64[ns]")}
"""By format: the column of times, and what it holds."""


class _Said(msgspec.Struct, frozen=True):
    """What stands in the metadata."""

    format: int
    start_ns: int
    conditions: Conditions
    marks: tuple[Mark, ...] = ()


def save_parquet(trace: Trace | LongTrace, to: Path | str | BinaryIO) -> None:
    """Write the trace with everything that is known of it, to a path or an open file. Raises ParquetError."""
    long = trace if isinstance(trace, LongTrace) else LongTrace.of(trace)
    said = msgspec.json.encode(_Said(FORMAT, long.start_ns, long.conditions, long.marks))
    _write(to, {}, {KEY: said}, ({}, long.pieces()))


def save_table(traces: Iterable[Named], to: Path | str | BinaryIO) -> None:
    """Write several traces into one table, one after the other, for other programs. Raises ParquetError."""
    named = (({"supply": t.supply, "channel": t.channel, "trace": t.id}, t.pieces) for t in traces)
    _write(to, {"supply": "string", "channel": "int32", "trace": "string"}, {}, *named)


def _write(
    to: Path | str | BinaryIO,
    more: dict[str, str],
    metadata: dict[bytes, bytes],
    *parts: tuple[dict[str, Any], Iterable[Samples]],
) -> None:
    """Write readings piece by piece. `more`: further columns, each of one value for a part."""
    name = str(getattr(to, "name", to))
    pa, pq = _arrow(name)
    kinds = {key: pa.type_for_alias(kind) for key, kind in more.items()}
    kinds |= {"time": pa.timestamp("ns", "UTC")} | {key: pa.from_numpy_dtype(kind) for key, kind in OURS.items()}
    schema = pa.schema(kinds, metadata)
    try:
        with pq.ParquetWriter(to if not isinstance(to, Path) else str(to), schema, compression="zstd") as writer:
            for values, pieces in parts:
                for s in pieces:
                    columns = [pa.repeat(pa.scalar(values[key], kinds[key]), len(s)) for key in more]
                    columns += [pa.array(s.t_ns.view("datetime64[ns]"), kinds["time"])]
                    columns += [getattr(s, key).astype(kind, copy=False) for key, kind in OURS.items()]
                    writer.write_table(pa.table(columns, schema=schema))
    except (OSError, pa.ArrowException) as e:
        raise ParquetError(name, None, None, f"cannot be written: {e}") from e


def read_parquet(path: Path | str, options: ReadAs = AS_IT_SAYS) -> FromFile:
    """Read a trace. Options do nothing to a file that benchd wrote, but for what they say of settings and the button.
    Raises ParquetError."""
    name = str(path)
    pa, pq = _arrow(name)
    try:
        with pq.ParquetFile(name) as file:
            rows, metadata = file.metadata.num_rows, file.schema_arrow.metadata or {}
            if rows > MOST_READINGS:
                problem = f"{rows} readings; at most {MOST_READINGS}: cut out the power-up that is to be read"
                raise ParquetError(name, None, None, problem)
            names = file.schema_arrow.names
            own = metadata.get(KEY)
            found = _foreign(file, names, options, name) if own is None else _own(file, own, names, name)
    except (OSError, pa.ArrowException, UnicodeDecodeError) as e:  # a damaged name of a column is no text
        raise ParquetError(name, None, None, f"is no Parquet file that can be read: {str(e).splitlines()[0]}") from e
    return _checked(found, options, name)


def _arrow(name: str) -> tuple[Any, Any]:
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ImportError as e:
        raise ParquetError(
            name, None, None, "Parquet needs pyarrow; install it with: pip install 'benchd[parquet]'"
        ) from e
    return pa, pq


def _columns(file: Any, wanted: list[str], names: list[str], name: str) -> list[NDArray[Any]]:
    """Columns as numpy arrays; NaN where a number is missing."""
    missing = [w for w in wanted if w not in names]
    if missing:
        raise ParquetError(name, None, missing[0], f"there is no such column among {', '.join(names[:12])}")
    table = file.read(columns=wanted)
    return [np.atleast_1d(table.column(w).to_numpy()) for w in wanted]


def _own(file: Any, metadata: bytes, names: list[str], name: str) -> FromFile:
    try:
        said = msgspec.json.decode(metadata, type=_Said)
    except msgspec.MsgspecError as e:
        raise ParquetError(name, None, None, f"its metadata under the key benchd are damaged: {e}") from e
    if said.format not in TIMES:
        problem = f"its format is {said.format}, this benchd reads {FORMAT}; use the version that wrote it"
        raise ParquetError(name, None, None, problem)
    time, kind = TIMES[said.format]
    wanted = {time: np.dtype(kind)} | {key: np.dtype(kind) for key, kind in OURS.items()}
    columns = _columns(file, list(wanted), names, name)
    for column, (key, dtype) in zip(columns, wanted.items(), strict=True):
        if column.dtype != dtype or (dtype.kind == "M" and np.isnat(column).any()):
            raise ParquetError(name, None, key, f"holds {column.dtype}, wanted {dtype} without missing values")
    times, *rest = columns
    trace = Trace(Samples(times.astype(np.int64, copy=False), *rest), said.start_ns, said.conditions, said.marks)
    _sane(trace, name)
    return FromFile(trace)


def _sane(trace: Trace, name: str) -> None:
    """Whether a file with benchd's own key says what benchd may have written. Raises ParquetError."""
    modes = trace.samples.mode
    if len(strange := np.flatnonzero(modes > max(Mode))):
        problem = f"row {strange[0] + 1}: {modes[strange[0]]}; allowed: 0 to {int(max(Mode))}"
        raise ParquetError(name, None, "mode", problem)
    for key, (lo, hi) in CONDITION_RANGES.items():
        value = getattr(trace.conditions, key)
        if value is not None and not lo <= value <= hi:
            problem = f"its metadata have {key} = {value:g}; allowed: {lo:g} to {hi:g}"
            raise ParquetError(name, None, None, problem)
    first_ns = int(trace.samples.t_ns[0]) if len(trace.samples) else trace.start_ns
    for what, t_ns in (("the start", trace.start_ns), *((f"the mark {m.kind}", m.t_ns) for m in trace.marks)):
        if not abs(t_ns - first_ns) <= LARGEST["time"] * 1e9:
            problem = f"its metadata have {what} {(t_ns - first_ns) / 1e9:g} s after the first reading"
            raise ParquetError(name, None, None, problem)


def _foreign(file: Any, names: list[str], options: ReadAs, name: str) -> FromFile:
    try:
        columns = recognise(names, options)
    except ColumnsUnclear as e:
        raise ParquetError(name, None, e.column and shown(e.column)[1:-1], str(e)) from e
    notes = []
    times, dated = _times(file, columns, options, name)
    volts, amps = (_scaled(file, columns[q], name) for q in ("voltage", "current"))
    for quantity, base in (("voltage", "V"), ("current", "A")):
        if columns[quantity].unit is None:
            notes.append(f"the {quantity} column has no unit and is taken as {base}")
    used = {c.name for c in columns.values()}
    if over := [shown(n, 30) for n in names if n not in used]:
        notes.append(f"passed over: {', '.join(over[:20])}")
    nothing = np.zeros(len(times), np.uint8)
    conditions = conditions_with(Conditions(), options)
    samples = Samples(times, volts, amps, nothing, nothing.copy())
    if options.interval_s is not None:
        columns.pop("time", None)
    doubt = plausible.doubts(samples, columns, conditions)
    if doubt is not None:
        raise ParquetError(name, None, *doubt)
    return FromFile(Trace(samples, int(times[0]) if dated else 0, conditions), tuple(notes))


def _times(file: Any, columns: dict[str, Column], options: ReadAs, name: str) -> tuple[NDArray[np.int64], bool]:
    """Times in ns, and whether they count from 1970."""
    if options.interval_s is not None:
        rows = file.metadata.num_rows
        return np.rint(np.arange(rows) * (options.interval_s * 1e9)).astype(np.int64), False
    column = columns["time"]
    (given,) = _columns(file, [column.name], [column.name], name)
    if np.issubdtype(given.dtype, np.datetime64):
        if np.isnat(given).any():
            raise ParquetError(name, None, column.name, f"row {int(np.argmax(np.isnat(given))) + 1} has no time")
        return given.astype("datetime64[ns]").astype(np.int64), True
    values = _numbers(given, column, name)
    unit, doubt = plausible.time_unit(column, values[:400].tolist())
    if doubt:
        raise ParquetError(name, None, column.name, doubt)
    bad = ~(np.abs(values) <= LARGEST["time"] / unit.scale)
    if bad.any():
        at = int(np.argmax(bad))
        raise ParquetError(
            name, None, column.name, f"row {at + 1}: {values[at]:g} {unit.symbol} is no time of a reading"
        )
    t_ns = np.rint(values * (unit.scale * 1e9)).astype(np.int64)
    return t_ns, bool(len(t_ns)) and plausible.is_date(int(t_ns[0]) / 1e9)


def _scaled(file: Any, column: Column, name: str) -> NDArray[np.float64]:
    (given,) = _columns(file, [column.name], [column.name], name)
    return _numbers(given, column, name) * (column.unit.scale if column.unit else 1.0)


def _numbers(given: NDArray[Any], column: Column, name: str) -> NDArray[np.float64]:
    if not np.issubdtype(given.dtype, np.number):
        raise ParquetError(name, None, column.name, f"holds {given.dtype}, wanted numbers")
    return given.astype(np.float64, copy=False)


def _checked(found: FromFile, options: ReadAs, name: str) -> FromFile:
    """The trace with what a person said, if its times and values can be those of a trace."""
    trace, s = found.trace, found.trace.samples
    if not len(s):
        raise ParquetError(name, None, None, "has columns but no readings")
    back = np.flatnonzero(np.diff(s.t_ns) <= 0)
    if len(back):
        at = int(back[0])
        given, was = ((int(s.t_ns[k]) - trace.start_ns) / 1e9 for k in (at + 1, at))
        problem = f"row {at + 2}: {given:.9g} s does not come after {was:.9g} s on the row before"
        raise ParquetError(name, None, "time", problem)
    for column, values, largest, unit in (
        ("voltage", s.voltage_v, LARGEST["voltage"], "V"),
        ("current", s.current_a, LARGEST["current"], "A"),
    ):
        bad = np.flatnonzero(np.abs(values) > largest)
        if len(bad):
            problem = f"row {bad[0] + 1}: {values[bad[0]]:g} {unit}; allowed: from {-largest:g} to {largest:g} {unit}"
            raise ParquetError(name, None, column, problem)
    trace = dataclasses.replace(trace, conditions=conditions_with(trace.conditions, options))
    return FromFile(with_button(trace, options, ParquetError, name), found.notes)
