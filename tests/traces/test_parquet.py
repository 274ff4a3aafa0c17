# ruff: noqa: E501  (the table holds whole messages, one a line)
"""Parquet files: what benchd writes comes back as it was, others are read by their columns, and nothing crashes."""

from __future__ import annotations

import dataclasses
import json
import sys
import weakref
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from benchd.traces.csv_write import Named
from benchd.traces.file_error import ParquetError, TraceFileError
from benchd.traces.long_trace import LongTrace
from benchd.traces.parquet import read_parquet, save_parquet, save_table
from benchd.traces.samples import Samples
from benchd.traces.table_options import ReadAs, columns_from, units_from
from benchd.traces.trace import Conditions, Mark, Trace
from benchd.traces.trace_file import read_file

START_NS = 1_714_558_272_345_678_901


def trace_of(n: int = 50) -> Trace:
    t = START_NS + np.arange(n, dtype=np.int64) * 20_000_001
    flags = np.zeros(n, np.uint8)
    flags[1:3] = 1, 2
    amps = np.linspace(0, 0.3, n)
    amps[n // 2] = np.nan
    modes = np.ones(n, np.uint8)
    marks = (Mark("connected", START_NS + 5), Mark("button", START_NS + 7, "hand"),
             Mark("tripped", START_NS + 9, "guard", "short"))  # fmt: skip
    stated = Conditions(4.0, 1.5, 0.001, 0.002, 0.01, "lamp\ntwo lines, kept", 0.0005, 0.02, 0.01, "usb")
    return Trace(Samples(t, np.full(n, 4.0), amps, modes, flags), START_NS + 3, stated, marks)


def same(a: Trace, b: Trace) -> bool:
    columns = all(
        getattr(a.samples, f.name).tobytes() == getattr(b.samples, f.name).tobytes()
        for f in dataclasses.fields(Samples)
    )
    return columns and (a.start_ns, a.conditions, a.marks) == (b.start_ns, b.conditions, b.marks)


def test_what_was_written_comes_back_to_the_bit(tmp_path: Path) -> None:
    file = tmp_path / "a.parquet"
    save_parquet(trace_of(), file)
    found = read_file(file)
    assert same(found.trace, trace_of())
    assert found.notes == ()


@pytest.mark.parametrize(
    ("spoil", "says"),
    [
        (lambda t: dataclasses.replace(t, samples=dataclasses.replace(t.samples, mode=t.samples.mode + np.uint8(8))),
         "column mode: row 1: 9; allowed: 0 to 3"),
        (lambda t: dataclasses.replace(t, conditions=Conditions(limit_a=-5.0)),
         "its metadata have limit_a = -5; allowed: 0 to 10000"),
        (lambda t: dataclasses.replace(t, start_ns=-(2**63)), "its metadata have the start -1.09379e+10 s after the first"),
        (lambda t: dataclasses.replace(t, marks=(Mark("button", 2**70, "hand"),)), "its metadata have the mark button"),
    ],
)  # fmt: skip
def test_what_benchd_would_not_have_written_is_refused(
    tmp_path: Path, spoil: Callable[[Trace], Trace], says: str
) -> None:
    file = tmp_path / "a.parquet"
    save_parquet(spoil(trace_of()), file)
    with pytest.raises(ParquetError) as refused:
        read_parquet(file)
    assert says in str(refused.value)


def test_others_can_read_it(tmp_path: Path) -> None:
    """Columns with their units in the names, and nothing that only benchd knows."""
    file = tmp_path / "a.parquet"
    save_parquet(trace_of(), file)
    table = pq.read_table(file)
    assert table.column_names == ["time", "voltage_v", "current_a", "mode", "flags"]
    assert str(table.schema.field("time").type) == "timestamp[ns, tz=UTC]"
    assert table.column("time").cast("int64").to_pylist()[:2] == [START_NS, START_NS + 20_000_001]


def test_a_file_of_format_1_is_read_as_before(tmp_path: Path) -> None:
    file = tmp_path / "a.parquet"
    save_parquet(trace_of(), file)
    table = pq.read_table(file)
    said = json.loads(table.schema.metadata[b"benchd"]) | {"format": 1}
    older = table.set_column(0, "t_ns", table.column("time").cast("int64"))
    pq.write_table(older.replace_schema_metadata({b"benchd": json.dumps(said).encode()}), file)
    assert same(read_parquet(file).trace, trace_of())


def test_a_time_that_is_missing_is_an_error(tmp_path: Path) -> None:
    file = tmp_path / "a.parquet"
    save_parquet(trace_of(), file)
    table = pq.read_table(file)
    times = pa.array([None, *range(1, table.num_rows)], table.schema.field("time").type)
    pq.write_table(table.set_column(0, table.schema.field("time"), times), file)
    with pytest.raises(
        ParquetError, match=r"column time: holds datetime64\[ns\], wanted datetime64\[ns\] without missing"
    ):
        read_parquet(file)


def test_pieces_are_written_one_after_the_other_and_none_is_kept(tmp_path: Path) -> None:
    whole = trace_of(400).samples
    kept: list[weakref.ref[Any]] = []

    def pieces() -> Iterator[Samples]:
        for at in range(0, 400, 100):
            part = whole.where(np.arange(400) // 100 == at // 100)
            assert sum(each() is not None for each in kept) <= 1
            kept.append(weakref.ref(part.t_ns))
            yield part

    asked = trace_of(400)
    with (tmp_path / "a.parquet").open("wb") as file:
        save_parquet(LongTrace(pieces, asked.start_ns, asked.conditions, asked.marks), file)
    assert same(read_parquet(tmp_path / "a.parquet").trace, asked)


def test_several_traces_are_one_table(tmp_path: Path) -> None:
    one, other = trace_of(5).samples, trace_of(3).samples
    file = tmp_path / "a.parquet"
    save_table(iter([Named("psu-a", 1, "T-1", [one[:2], one[2:]]), Named("psu-b", 2, "T-2", [other])]), file)
    table = pq.read_table(file)
    assert table.column("trace").to_pylist() == ["T-1"] * 5 + ["T-2"] * 3
    assert table.column("supply").to_pylist()[4:6] == ["psu-a", "psu-b"]
    assert table.column("channel").to_pylist()[4:6] == [1, 2]
    assert table.column("time").cast("int64").to_pylist()[5] == START_NS


def test_a_person_may_say_the_settings_and_the_button(tmp_path: Path) -> None:
    file = tmp_path / "a.parquet"
    save_parquet(trace_of(), file)
    said = read_parquet(file, ReadAs(limit_a=2.0, board="other", button_s=0.5)).trace
    assert (said.conditions.limit_a, said.conditions.board, said.conditions.set_voltage_v) == (2.0, "other", 4.0)
    assert [m for m in said.marks if m.kind == "button"] == [Mark("button", START_NS + 3 + 500_000_000, "hand")]
    with pytest.raises(ParquetError, match=r"--button: 99 s lies outside the readings, -3e-09 to 0.98 s"):
        read_parquet(file, ReadAs(button_s=99))


def foreign(path: Path, **columns: object) -> Path:
    pq.write_table(pa.table(columns), path)
    return path


def test_tables_of_others_are_read_by_their_names_and_units(tmp_path: Path) -> None:
    file = tmp_path / "a.parquet"
    foreign(
        file, **{"t (ms)": [0, 20, 40], "U [mV]": [4000, 4001, None], "I (mA)": [1.0, 2.5, 3.0], "note": ["", "", ""]}
    )
    found = read_file(file)
    assert found.trace.samples.t_ns.tolist() == [0, 20_000_000, 40_000_000]
    assert found.trace.samples.voltage_v[:2].tolist() == [4.0, 4.001]
    assert np.isnan(found.trace.samples.voltage_v[2])
    assert found.trace.samples.current_a.tolist() == [0.001, 0.0025, 0.003]
    assert found.notes == ("passed over: 'note'",)


def test_stamps_keep_their_date(tmp_path: Path) -> None:
    times = pa.array([START_NS, START_NS + 1000], pa.timestamp("ns", tz="UTC"))
    file = foreign(tmp_path / "a.parquet", timestamp=times, V=[4.0, 4.0], A=[0.1, 0.2])
    trace = read_file(file).trace
    assert trace.start_ns == START_NS
    assert trace.samples.t_ns.tolist() == [START_NS, START_NS + 1000]


BAD = [
    ({"time_s": [0.0, 1.0], "voltage_v": [4.0, 4.0]}, "column current: no column for the current among 'time_s'"),
    ({"time_s": [0.0, 0.0], "voltage_v": [4.0, 4.0], "current_a": [0.0, 0.0]}, "row 2: 0 s does not come after 0 s on the row before"),
    ({"time_s": [1.0, 0.5], "voltage_v": [4.0, 4.0], "current_a": [0.0, 0.0]}, "row 2: 0.5 s does not come after 1 s on the row before"),
    ({"time_s": [0.0, None], "voltage_v": [4.0, 4.0], "current_a": [0.0, 0.0]}, "column time_s: row 2: nan s is no time of a reading"),
    ({"time_s": [0.0, 1.0], "voltage_v": [4.0, 4.0], "current_a": [0.0, float("inf")]}, "row 2: inf A; allowed: from -10000 to 10000 A"),
    ({"time_s": [0.0, 1.0], "voltage_v": ["4", "4"], "current_a": [0.0, 0.0]}, "column voltage_v: holds object, wanted numbers"),
    ({"time_s": [0.0, 1.0, 2.0], "voltage_v": [4.0] * 3, "current_a": [120.0, 300.0, 450.0]}, "Are these mA? Say --current-unit mA, or --current-unit A if they are A"),
    ({"time": [0, 20, 40], "V": [4.0] * 3, "A": [0.1] * 3}, "Say --time-unit s if that is so"),
    ({"time_s": pa.array([], pa.float64()), "voltage_v": pa.array([], pa.float64()), "current_a": pa.array([], pa.float64())}, "has columns but no readings"),
]  # fmt: skip


@pytest.mark.parametrize(("columns", "said"), BAD)
def test_bad_tables_are_refused_with_the_place(tmp_path: Path, columns: dict[str, object], said: str) -> None:
    with pytest.raises(ParquetError) as caught:
        read_file(foreign(tmp_path / "bad.parquet", **columns))
    assert str(caught.value).startswith(str(tmp_path / "bad.parquet"))
    assert said in str(caught.value)


def test_units_and_columns_that_a_person_names(tmp_path: Path) -> None:
    file = foreign(tmp_path / "a.parquet", x=[0, 20, 40], y=[4.0] * 3, z=[120, 300, 450])
    options = ReadAs(
        units_from({"time": "ms", "voltage": None, "current": "mA"}), columns_from(["time=x", "voltage=2", "current=z"])
    )
    trace = read_file(file, options).trace
    assert trace.samples.t_ns.tolist() == [0, 20_000_000, 40_000_000]
    assert trace.samples.current_a.tolist() == [0.12, 0.3, 0.45]


def test_a_file_that_was_cut_off_or_spoilt_is_an_error(tmp_path: Path) -> None:
    file = tmp_path / "a.parquet"
    save_parquet(trace_of(), file)
    whole = file.read_bytes()
    for size in (4, 5, len(whole) // 2, len(whole) - 1):
        file.write_bytes(whole[:size])
        with pytest.raises(ParquetError, match="is no Parquet file that can be read"):
            read_file(file)
    table = pq.read_table(pa.BufferReader(whole))
    pq.write_table(table.replace_schema_metadata({b"benchd": b'{"format": 3, "start_ns": 0, "conditions": {}}'}), file)
    with pytest.raises(ParquetError, match="its format is 3, this benchd reads 2"):
        read_file(file)
    pq.write_table(table.replace_schema_metadata({b"benchd": b"{}"}), file)
    with pytest.raises(ParquetError, match="its metadata under the key benchd are damaged: "):
        read_file(file)


def test_without_pyarrow_it_says_how_to_get_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "a.parquet"
    save_parquet(trace_of(), file)
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    for attempt in (lambda: read_file(file), lambda: save_parquet(trace_of(), file)):
        with pytest.raises(
            ParquetError, match=r"Parquet needs pyarrow; install it with: pip install 'benchd\[parquet\]'"
        ):
            attempt()


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@example(at=1285, byte=0x80)  # a column's name that is no UTF-8
@given(at=st.integers(0, 4000), byte=st.integers(0, 255))
def test_a_changed_byte_is_an_error_or_a_trace(tmp_path: Path, at: int, byte: int) -> None:
    file = tmp_path / "a.parquet"
    save_parquet(trace_of(), file)
    spoilt = bytearray(file.read_bytes())
    spoilt[at % len(spoilt)] = byte
    file.write_bytes(spoilt)
    try:
        trace = read_file(file).trace
    except TraceFileError:
        return
    assert np.all(np.diff(trace.samples.t_ns) > 0)
