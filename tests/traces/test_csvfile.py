# ruff: noqa: E501  (the table holds whole messages, one a line)
"""CSV files: what comes out of good ones, and what is said about bad ones."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.reading import Mode
from benchd.traces.csv_write import csv_text
from benchd.traces.csvfile import CsvError, load_csv, parse_csv
from benchd.traces.samples import Samples
from benchd.traces.trace import Conditions, Mark, Trace

HEAD = "time_s,voltage_v,current_a\n"


def test_a_whole_file() -> None:
    text = (
        "# set_voltage_v: 4.0\n# limit_a: 1.5\n# resolution_a: 0.001\n# board: =SUM(A1) lamp, 2nd\n# button_s: 0.02\n"
        "# rate_hz: 100\n# a remark\n\n" + HEAD + "0,4.001,0\n0.01,4.0,1e-3\n\n0.03, 3.99 ,0.25\n"
    )
    trace = parse_csv(text)
    assert trace.samples.t_ns.tolist() == [0, 10_000_000, 30_000_000]
    assert trace.samples.voltage_v.tolist() == [4.001, 4.0, 3.99]
    assert trace.samples.current_a.tolist() == [0.0, 0.001, 0.25]
    assert trace.conditions == Conditions(4.0, 1.5, 0.001, board="=SUM(A1) lamp, 2nd")
    assert trace.marks == (Mark("button", 20_000_000, "hand"),)
    assert trace.mark_s("button") == 0.02


def test_the_accuracy_goes_out_and_in_again_and_older_files_are_read() -> None:
    stated = Conditions(4.0, 2.0, 0.001, 0.002, 0.01, "x", 0.0005, 0.02)
    trace = Trace(parse_csv(HEAD + "0,4,0.1\n1,4,0.2\n").samples, 0, stated)
    text = csv_text(trace)
    for line in ("fraction_a: 0.002", "offset_a: 0.01", "fraction_v: 0.0005", "offset_v: 0.02"):
        assert f"# accuracy_{line}\r\n" in text
    assert parse_csv(text).conditions == stated
    assert parse_csv(text.replace("accuracy_fraction_a", "accuracy_fraction")).conditions == stated
    with pytest.raises(CsvError, match="accuracy_fraction_a: is given twice"):
        parse_csv("# accuracy_fraction: 0.1\n" + text)


@pytest.mark.parametrize("variant", ["\ufeff{}", "{}", "\r\n", "\r"])
def test_byte_order_mark_and_line_ends(tmp_path: Path, variant: str) -> None:
    text = "# board: x\n" + HEAD + "0,4,0.1\n1,4,0.2\n"
    text = variant.format(text) if "{" in variant else text.replace("\n", variant)
    file = tmp_path / "a.csv"
    file.write_bytes(text.encode())
    trace = load_csv(file)
    assert trace.samples.current_a.tolist() == [0.1, 0.2]
    assert trace.conditions.board == "x"


def test_columns_in_another_order_and_a_mode() -> None:
    trace = parse_csv("current_a,mode,time_s,voltage_v\n0.1,cc,0,4\n0.2,CV,1,3\n0.2,off,2,0\n0,unknown,3,0\n")
    assert trace.samples.voltage_v.tolist() == [4, 3, 0, 0]
    assert trace.samples.mode.tolist() == [Mode.CC, Mode.CV, Mode.OFF, Mode.UNKNOWN]


@pytest.mark.parametrize("word", ["", "none", "Unknown"])
def test_a_key_may_say_that_it_is_not_known(word: str) -> None:
    trace = parse_csv(f"# limit_a: {word}\n# button_s: {word}\n{HEAD}0,4,0\n1,4,0\n")
    assert trace.conditions.limit_a is None
    assert trace.marks == ()


BAD = [
    ("", "bad.csv: is empty: wanted a header line time_s,voltage_v,current_a and readings below it"),
    ("# board: x\n", "bad.csv: is empty: wanted a header line time_s,voltage_v,current_a and readings below it"),
    (HEAD, "bad.csv: has a header but no readings"),
    (HEAD + "0,4,0\n1,4\n", "bad.csv, line 3, column current_a: 2 columns, wanted time_s,voltage_v,current_a"),
    (HEAD + "0,4,0,cv\n", "bad.csv, line 2, column 4: 4 columns, wanted time_s,voltage_v,current_a"),
    ("time_s,voltage_v,current_a,time_s\n", "bad.csv, line 1, column time_s: 2 columns may be the time: 'time_s', 'time_s'; say which with --column time=NAME, or time=NUMBER counted from 1 (in 'time_s,voltage_v,current_a,time_s')"),
    (HEAD + "0;4;0\n", "bad.csv, line 2, column voltage_v: 1 columns, wanted time_s,voltage_v,current_a; use one delimiter in all lines"),
    (HEAD + "0,4,0\n1,4,x\n", "bad.csv, line 3, column current_a: 'x' given; allowed: a number from -10000 to 10000"),
    (HEAD + "nan,4,0\n", "bad.csv, line 2, column time_s: 'nan' given; allowed: a number from -1e+10 to 1e+10"),
    (HEAD + "0,4,inf\n", "bad.csv, line 2, column current_a: 'inf' given; allowed: a number from -10000 to 10000"),
    # SCPI-1999 §7.2.1: 9.9E37 says infinity.
    (HEAD + "0,4,9.9E37\n", "bad.csv, line 2, column current_a: '9.9E37' given; allowed: a number from -10000 to 10000"),
    (HEAD + "0,4,1_0\n", "bad.csv, line 2, column current_a: '1_0' given; allowed: a number from -10000 to 10000"),
    (HEAD + "0,4,0\n\n2,4,0\n2,4,0\n", "bad.csv, line 5, column time_s: 2 s does not come after 2 s on the line before"),
    (HEAD + "5,4,0\n4,4,0\n", "bad.csv, line 3, column time_s: 4 s does not come after 5 s on the line before"),
    ("time_s,voltage_v\n0,4\n", "bad.csv, line 1, column current: no column for the current among 'time_s', 'voltage_v'; say which with --column current=NAME (in 'time_s,voltage_v')"),
    ("time_s,voltage_v,current_ma\n", "bad.csv: has a header but no readings"),
    ("# units: s V mA\n" + HEAD + "0,4,0\n", "bad.csv, column current_a: its header says A, the remark `units` mA; give --current-unit"),
    ("# side: left\n" + HEAD + "0,4,0\n", "bad.csv, line 1, column side: 'left'; allowed: battery, usb, or leave it empty"),
    ("# units: V s A\n" + HEAD + "0,4,0\n", "bad.csv, line 1, column units: 'V s A'; wanted the units of time, voltage and current, as in: s V A"),
    (HEAD + "0,4,0\n1,4", "bad.csv, line 3, column current_a: 2 columns, wanted time_s,voltage_v,current_a; the file ends within this line and was cut off: get it whole, or remove the line"),
    (HEAD + "0,4,0\n1,4,", "bad.csv, line 3, column current_a: the file ends within this line and was cut off: get it whole, or remove the line"),
    (HEAD + "0,4,\0\n", "bad.csv, line 2: is not text (byte 0x00); save it as CSV in UTF-8"),
    (HEAD + "0,4,0\n" + "1" * 70_000 + ",4,0\n", "bad.csv, line 3: has more than 65536 characters and is of no table"),
    ("# limit: 2\n" + HEAD + "0,4,0\n", "bad.csv, line 1: unknown key 'limit'; meant 'limit_a'? Allowed: "),
    ("# limit_a: two\n" + HEAD + "0,4,0\n", "bad.csv, line 1, column limit_a: 'two' is not a number; write it like 4.0, or leave it empty"),
    ("# limit_a: -1\n" + HEAD + "0,4,0\n", "bad.csv, line 1, column limit_a: -1 is out of range: above 0, at most 10000"),
    ("# limit_a: nan\n" + HEAD + "0,4,0\n", "bad.csv, line 1, column limit_a: 'nan' is not a number; write it like 4.0, or leave it empty"),
    ("# board: a\n# limit_a: 1\n# limit_a: 2\n" + HEAD + "0,4,0\n", "bad.csv, line 3, column limit_a: is given twice; give it once"),
    ("# button_s: 30\n" + HEAD + "0,4,0\n1,4,0\n", "bad.csv, line 1, column button_s: 30 s lies outside the readings, 0 to 1 s"),
    ("time_s,voltage_v,current_a,mode\n0,4,0,dc\n", "bad.csv, line 2, column mode: 'dc'; allowed: cv, cc, off, unknown"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "said"), BAD)
def test_bad_files_are_refused_with_the_place(text: str, said: str) -> None:
    with pytest.raises(CsvError) as caught:
        parse_csv(text, "bad.csv")
    assert str(caught.value).startswith(said)


def test_bytes_that_are_no_text_and_files_that_are_not_there(tmp_path: Path) -> None:
    file = tmp_path / "a.csv"
    file.write_bytes(HEAD.encode() + b"0,4,0\n1,\xff,0\n")
    with pytest.raises(CsvError, match=r"a\.csv, line 3, column voltage_v: 'ÿ' given; allowed: a number from"):
        load_csv(file)
    file.write_bytes(b"\xff\xfe" + HEAD.encode("utf-16-le") + b"0")
    with pytest.raises(CsvError, match=r"a\.csv: is not UTF-16 text, as its first bytes say"):
        load_csv(file)
    with pytest.raises(CsvError, match="cannot be read"):
        load_csv(tmp_path / "missing.csv")


numbers = st.floats(-1e4, 1e4)


@settings(max_examples=80, deadline=None)
@given(
    st.lists(st.tuples(st.integers(1, 10**9), numbers, numbers, st.sampled_from(list(Mode))), min_size=1, max_size=30),
    st.integers(-(10**9), 2 * 10**18),
    st.text(st.characters(blacklist_categories=("Cs", "Cc", "Zl", "Zp")), max_size=20),
)
def test_written_and_read_again_is_the_same(rows: list, start_ns: int, board: str) -> None:
    """Exact in ns, V, A and modes; the start becomes 0."""
    steps, v, i, mode = (np.array(x) for x in zip(*rows, strict=True))
    t = np.cumsum(steps.astype(np.int64))
    samples = Samples(t + start_ns, v.astype(float), i.astype(float), mode.astype(np.uint8), np.zeros(len(t), np.uint8))
    marks = (Mark("button", start_ns + int(t[0]), "hand"), Mark("connected", start_ns, "recogniser"))
    trace = Trace(samples, start_ns, Conditions(4.0, 1.0, 0.001, 0.002, 0.005, board), marks)
    again = parse_csv(csv_text(trace))
    assert np.array_equal(again.samples.t_ns, t)
    assert np.array_equal(again.samples.voltage_v, samples.voltage_v)
    assert np.array_equal(again.samples.current_a, samples.current_a)
    assert np.array_equal(again.samples.mode, samples.mode)
    assert again.conditions == Conditions(4.0, 1.0, 0.001, 0.002, 0.005, " ".join(board.split()))
    assert again.marks == (Mark("button", int(t[0]), "hand"),)


@settings(max_examples=100, deadline=None)
@given(
    st.one_of(
        st.text(max_size=200),
        st.text(st.sampled_from('0123456789.,-eE#: \n\r"time_svolagcurn'), max_size=200).map(lambda x: HEAD + x),
    )
)
def test_any_text_is_a_trace_or_a_csv_error(text: str) -> None:
    try:
        trace = parse_csv(text)
    except CsvError:
        return
    assert len(trace.samples) >= 1
    assert np.all(np.diff(trace.samples.t_ns) > 0)
    assert not np.any(np.isinf(trace.samples.current_a))


def test_a_reading_that_is_none_keeps_its_time() -> None:
    """SCPI-1999 §7.2.1: 9.91E37 is 'not a number'."""
    trace = parse_csv(HEAD + "0,4,0\n1,nan,\n2,4,9.91E37\n3,4,0.5\n")
    assert trace.samples.t_ns.tolist() == [0, 10**9, 2 * 10**9, 3 * 10**9]
    assert np.isnan(trace.samples.current_a).tolist() == [False, True, True, False]
    again = parse_csv(csv_text(trace))
    assert np.array_equal(again.samples.current_a, trace.samples.current_a, equal_nan=True)


def test_what_benchd_wrote_is_not_doubted() -> None:
    """Even 500 A with a step of 100 A, a reading every minute: it says its units."""
    rows = "".join(f"{60 * k},400,{100 * (k % 9)}\n" for k in range(20))
    with pytest.raises(CsvError):
        parse_csv(HEAD + rows)
    stated = parse_csv("# units: s V A\n" + HEAD + rows)
    assert parse_csv(csv_text(stated)).samples.current_a.max() == 800
