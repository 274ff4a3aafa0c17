# ruff: noqa: E501  (the tables hold whole messages, one a line)
"""Tables of other programs: what is understood, and what is asked instead of guessed."""

from __future__ import annotations

import datetime
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.traces import csvfile
from benchd.traces.csvfile import parse_csv, read_csv
from benchd.traces.file_error import CsvError
from benchd.traces.signatures import read_trace
from benchd.traces.table_options import AS_IT_SAYS, OptionError, ReadAs, columns_from, named, units_from, within
from benchd.traces.trace import Mark, Trace

T, U, I = [0, 20_000_000], [4.0, 4.1], [0.1, 0.25]  # noqa: E741  (that is what they are called)


def numbers(trace: Trace) -> tuple[list[int], list[float], list[float]]:
    s = trace.samples
    return (s.t_ns - trace.start_ns).tolist(), s.voltage_v.tolist(), s.current_a.tolist()


SAME = [
    "Zeit [s];Spannung [V];Strom [mA]\n0,00;4,0;100\n0,02;4,1;250\n",
    "t (ms)\tU (mV)\tI (µA)\n0\t4000\t100000\n20\t4100\t250000\n",
    "time,volts,amps\n0,4,.1\n.02,4.1,.25\n",
    "TIME_MS,VOLTAGE_V,CURRENT_MA\n0,4,100\n20,4.1,250\n",
    "current_a,voltage_v,time_s\n0.1,4,0\n0.25,4.1,0.02\n",
    "No,Elapsed (s),Timestamp,Set voltage (V),CH1 Voltage(V),CH1 Current(A),Power(W)\n1,0,2024-01-01,5,4,.1,.4\n2,.02,2024-01-01,5,4.1,.25,1\n",
    '"time","U","I"\n"0,0","4,0","0,1"\n"0,02","4,1","0,25"\n',
    "time U I\n0 4 0.1\n0.02   4.1 0.25\n",
    "# time voltage current\n0 4 0.1\n0.02 4.1 0.25\n",
    "time|V|A\n0|4|.1\n.02|4.1|.25\n",
    "Model;X-1\nFirmware;1.2\n\nTime;V;A\ns;V;mA\n0;4;100\n0,02;4,1;250\n",
    "Vout;Iout;t\nV;A;ms\n4;0.1;0\n4.1;0.25;20\n",
    "Time / s,Voltage in V,I_mA\n0,4,100\n0.02,4.1,250\n",
    "time_h,u_v,i_a\n0,4,0.1\n0.00000555555555555556,4.1,0.25\n",
    "Time,U,I\n10:11:12.50,4,.1\n10:11:12.52,4.1,.25\n",
    "Time;U;I\n10:11:12,50;4,0;,1\n10:11:12,52;4,1;,25\n",
    "Time,U,I\n23:59:59.99,4,.1\n00:00:00.01,4.1,.25\n",
    "Date,Time,V,A\n03/04/2024,11:59:59.99 PM,4,.1\n04/04/2024,12:00:00.01 AM,4.1,.25\n",
    "time,U,I,\n0,4,.1,\n0.02,4.1,.25,\n",
    "time,U,I\n0,4,.1,\n0.02,4.1,.25,\n",
    "time,U,I,\n0,4,.1\n0.02,4.1,.25\n",
    "time,U,I\n% a remark\n0,4,.1\n# another\n\n// and more\n0.02,4.1,.25\n",
    "t,u,i,mode\n0,4,.1,Normal\n0.02,4.1,.25,Normal\n",
]


@pytest.mark.parametrize("text", SAME)
def test_the_same_readings_in_many_tables(text: str) -> None:
    t, u, i = numbers(parse_csv(text))
    assert t == T
    assert u == pytest.approx(U)
    assert i == pytest.approx(I)


@pytest.mark.parametrize("coding", ["utf-8", "utf-8-sig", "utf-16", "latin-1"])
def test_codings(tmp_path: Path, coding: str) -> None:
    file = tmp_path / "a.csv"
    file.write_bytes(SAME[1].encode(coding))
    assert numbers(read_csv(file).trace) == (T, U, pytest.approx(I))


START = datetime.datetime(2024, 5, 1, 10, 11, 12, 340_000, datetime.UTC)
START_NS = 1_714_558_272_340_000_000


def test_the_start_in_the_table_below_is_that_moment() -> None:
    assert round(START.timestamp() * 1000) * 1_000_000 == START_NS


@pytest.mark.parametrize(
    ("first", "second"),
    [
        ("2024-05-01T10:11:12.340Z", "2024-05-01T10:11:12.360Z"),
        ("2024-05-01 12:11:12.340+02:00", "2024-05-01 12:11:12.360+02:00"),
        ("20240501T101112.34Z", "20240501T101112.36Z"),
        ("2024/05/01 10:11:12.34", "2024/05/01 10:11:12.36"),
        ("01.05.2024 10:11:12.34", "01.05.2024 10:11:12.36"),
        ("5/31/24 10:11:12.34 AM", "5/31/24 10:11:12.36 AM"),
        ("1714558272.34", "1714558272.36"),
        ("1714558272340", "1714558272360"),
        ("1714558272340000", "1714558272360000"),
        ("1714558272340000000", "1714558272360000000"),
    ],
)
def test_dates_are_kept_as_the_start(first: str, second: str) -> None:
    """By datetime of the standard library, see above."""
    trace = parse_csv(f"# button_s: 0.01\ntimestamp,U,I\n{first},4,.1\n{second},4.1,.25\n")
    days = 30 if first.startswith("5/31") else 0
    # A float of 1.7e18 ns is exact to 256 ns.
    assert trace.start_ns == pytest.approx(START_NS + days * 86_400 * 10**9, abs=300)
    assert np.diff(trace.samples.t_ns).tolist() == pytest.approx([20_000_000], abs=300)
    assert trace.marks == (Mark("button", trace.start_ns + 10_000_000, "hand"),)


def test_a_day_that_can_be_two_is_only_counted_from() -> None:
    """3rd April or 4th March: the readings are the same, the date is not known and not made up."""
    trace = parse_csv("time,U,I\n03/04/2024 10:00:00,4,0\n03/04/2024 10:00:01,4,0\n")
    assert trace.start_ns == 0
    with pytest.raises(
        CsvError, match=r"line 3, column time: .*it is not the day after 03/04/2024, whichever is the month"
    ):
        parse_csv("time,U,I\n03/04/2024 10:00:00,4,0\n05/06/2024 10:00:01,4,0\n")


def test_gaps_stay_gaps() -> None:
    trace = parse_csv("time;U;I\n0;4;0,1\n1;4;0,1\n\n11;4;0,1\n")
    assert numbers(trace)[0] == [0, 10**9, 11 * 10**9]


def test_what_was_taken_for_granted_is_said(tmp_path: Path) -> None:
    file = tmp_path / "a.csv"
    file.write_text(
        "Model,X\nn,time,voltage,current,temp,\n1,2024-05-01 10:00:00,4,,25,\n2,2024-05-01 10:00:01,4,1,25,\n"
    )
    assert read_csv(file).notes == (
        "the voltage column has no unit and is taken as V",
        "the current column has no unit and is taken as A",
        "passed over: 'n', 'temp', 1 line above the header",
        "its dates name no time zone and are taken as UTC",
        "1 of 2 readings lack a voltage or current",
    )


def test_a_last_line_that_may_be_cut_off_is_told(tmp_path: Path) -> None:
    file = tmp_path / "a.csv"
    for last, told in (("0.04,4.01,0.12", False), ("0.04,4.01,0.1", True)):
        file.write_text("t [s],U [V],I [A]\n0.00,4.01,0.10\n0.02,4.01,0.11\n" + last)
        assert (
            "its last line has no end and is short: if the file was cut off, its last reading is wrong"
            in read_csv(file).notes
        ) is told


BOOT_MA = "".join(f"{k * 0.02:.2f},4,{(k * 37) % 500 + 0.123}\n" for k in range(100))
ASKED = [
    ("0,4,0\n1,4,0\n", "line 1: readings begin, but no line above names their columns; wanted a header line time_s,voltage_v,current_a, or say which is which, as in --column time=1 --column voltage=2 --column current=3"),
    ("time_s,voltage_v,current_a\n" + BOOT_MA, "column current_a: 497.123 A is more than a bench supply gives to a board. Are these mA? Say --current-unit mA, or --current-unit A if they are A"),
    ("# limit_a: 2\ntime,U,I\n" + "".join(f"{k},4,{k * .7:.3f}\n" for k in range(13)), "column I: 7 A is 3.5 times the limit of 2 A (wrong? --limit). Are these mA? Say --current-unit mA, or"),
    ("time_s,voltage_v,current_a\n" + "".join(f"{k},4,{k % 9}\n" for k in range(30)), "column current_a: all currents are multiples of 1 A, and no bench supply reads as coarsely. Are these mA?"),
    ("time,U,I\n0,4000,.1\n1,4000,.1\n2,4001,.1\n", "column U: 4000 V is more than a bench supply gives to a board. Are these mV? Say --voltage-unit mV, or --voltage-unit V if they are V"),
    ("# set_voltage_v: 4\ntime,U,I\n0,40,.1\n1,40,.1\n2,40,.1\n", "column U: 40 V is 10 times the setting of 4 V (wrong? --set-voltage). Are these mV?"),
    ("time,U,I\n0,4,0\n20,4,0\n40,4,0\n", "column time: the times step by 20: in s that is one reading in 20 s, and no power-up is read so. Say --time-unit s if that is so, or what it is: s, ms, µs, ns, min, h"),
    ("time_ms,U,I\n0,4,0\n0.001,4,0\n0.002,4,0\n", "column time_ms: the times step by 0.001: in ms that is one reading in 1e-06 s"),
    ("time,CH1 V,CH2 V,A\n0,4,4,0\n", "line 1, column CH1 V: 2 columns may be the voltage: 'CH1 V', 'CH2 V'; say which with --column voltage=NAME, or voltage=NUMBER counted from 1"),
    ("time,Voltage (A),A\n0,4,0\n", "line 1, column Voltage (A): 'Voltage (A)' names a voltage in A; rename it, or give --column voltage=NAME"),
    ("time,U [V],I [mA]\ns,mV,mA\n0,4,0\n", "line 2, column U [V]: the row of units says mV for it; give --voltage-unit"),
    ("time;U;I\n0;1,234;0,5\n1;1,234.5;0\n", "line 3, column U: '1,234.5' has a comma and a point; write numbers without marks between the thousands"),
    ("time;U;I\n0;1,234;5\n1;1.234;5\n", "line 2, column U: '1,234' has a comma, '1.234' in line 3 a point; write numbers without marks between the thousands"),
    ("time;U;I\n0;1,234;5\n1;1,234;5\n", "line 2, column U: '1,234' may be a fraction or thousands; say --decimal comma if it is a fraction"),
    ("time,U,I\n0,1 234.5,0\n", "line 2, column U: '1 234.5' given; allowed: a number from -10000 to 10000"),
    ("time,U,I\n0,4,0,5\n1,4,0,6\n", "line 2, column 4: 4 columns, wanted time,U,I; a comma cannot part columns and be the decimal mark as well, unless numbers stand in quotes"),
    ("time,U,I\n10:11:12,4,0\n10:11:12,4,0\n", "line 3, column time: '10:11:12' does not come after '10:11:12' on the line before; two readings of one moment are not told apart: take times with more digits, or say --interval S if readings are evenly spaced"),
    ("time,U,I\n10:11,4,0\n10:12,4,0\n", "line 2, column time: '10:11' given; it has no seconds; readings of one minute cannot be told apart"),
    ("time,U,I\n30.02.2024 10:00:00,4,0\n", "line 2, column time: '30.02.2024 10:00:00' given; there is no such day"),
    ("time,U,I\nyesterday,4,0\n", "line 2, column time: 'yesterday' given; allowed: a number, or a stamp like 2024-05-01T10:11:12.345Z or 10:11:12.345"),
    ("U,I\n4,0\n4,1\n", "line 1, column time: no column for the time among 'U', 'I'; say which with --column time=NAME, or --interval S if readings are evenly spaced"),
    ("time,U,I\n0,4,0\ntime,U,I\n1,4,0\n", "line 3, column time: 'time' given; allowed: a number from -1e+10 to 1e+10"),
    ("a text\n\nof no table\n", "no line in it names columns of time, voltage and current; wanted a header line time_s,voltage_v,current_a, or names like Time (ms), U [V], I (mA)"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "said"), ASKED)
def test_what_is_not_clear_is_asked_with_the_place(text: str, said: str) -> None:
    with pytest.raises(CsvError) as caught:
        parse_csv(text, "bad.csv")
    message = str(caught.value)
    assert message.removeprefix("bad.csv").lstrip(":, ").startswith(said)


def said(*columns: str, **units: str | None) -> ReadAs:
    return ReadAs(units_from({"time": None, "voltage": None, "current": None} | units), columns_from(columns))  # type: ignore[dict-item]


def test_the_answers_are_taken() -> None:
    by_number = said("time=1", "voltage=2", "current=3")
    assert numbers(parse_csv("0,4,0.1\n0.02,4.1,0.25\n", options=by_number)) == (T, U, I)
    assert numbers(parse_csv("0;4,0;0,1\n0,02;4,1;0,25\n", options=by_number)) == (T, U, I)
    assert numbers(parse_csv("x y;z\n0;4;0.1\n0.02;4.1;0.25\n", options=by_number)) == (T, U, I)
    two = "t,CH1 V,CH1 A,CH2 V,CH2 A\n0,1,2,4,.1\n.02,1,2,4.1,.25\n"
    assert numbers(parse_csv(two, options=said("voltage=CH2 V", "current=5"))) == (T, U, I)
    assert parse_csv("time_s,voltage_v,current_a\n" + BOOT_MA, options=said(current="mA")).samples.current_a.max() < 0.5
    assert parse_csv("time_s,voltage_v,current_a\n" + BOOT_MA, options=said(current="A")).samples.current_a.max() > 490
    assert numbers(parse_csv("t,U,I\n0,4,.1\n20,4.1,.25\n", options=said(time="ms"))) == (T, U, I)
    assert numbers(parse_csv("t;U;I\n0;1,234;5\n1;1,234;5\n", options=ReadAs(decimal=",")))[1] == [1.234, 1.234]
    assert numbers(parse_csv("U,I\n4,.1\n4.1,.25\n", options=ReadAs(interval_s=0.02))) == (T, U, I)
    told = ReadAs(set_voltage_v=4.2, limit_a=1.0, resolution_a=0.001, board="lamp", button_s=0.01)
    trace = parse_csv("# board: other\n# limit_a: 2\n# button_s: 0\nt,U,I\n0,4,.1\n.02,4.1,.25\n", options=told)
    stated = trace.conditions
    assert (stated.set_voltage_v, stated.limit_a, stated.resolution_a, stated.board) == (4.2, 1.0, 0.001, "lamp")
    assert trace.marks == (Mark("button", 10_000_000, "hand"),)
    with pytest.raises(CsvError, match=r"csv, column --button: 9 s lies outside the readings, 0 to 0.02 s"):
        parse_csv("t,U,I\n0,4,.1\n.02,4.1,.25\n", options=ReadAs(button_s=9.0))
    with pytest.raises(CsvError, match="column t: is a date or clock; --time-unit is for numbers"):
        parse_csv("t,U,I\n10:11:12,4,.1\n10:11:13,4.1,.25\n", options=said(time="ms"))


def test_answers_that_say_nothing_are_refused() -> None:
    with pytest.raises(OptionError, match="--current-unit mV: allowed: A, mA, µA, nA, kA"):
        units_from({"current": "mV"})
    with pytest.raises(OptionError, match=r"--column curent=3: wanted WHAT=NAME or WHAT=NUMBER, .*; meant current=…?"):
        columns_from(["curent=3"])
    with pytest.raises(OptionError, match="--column time is given twice"):
        columns_from(["time=1", "time=2"])
    with pytest.raises(
        OptionError, match="--delimiter 'x': allowed: comma, semicolon, tab, bar, space, or the character"
    ):
        named("--delimiter", "x", {"comma": ",", "semicolon": ";", "tab": "\t", "bar": "|", "space": " "})
    with pytest.raises(OptionError, match="--limit nan: allowed: from 0 to 5 A"):
        within("--limit", float("nan"), (0, 5), "A")
    with pytest.raises(CsvError, match="line 2, column 3: 2 columns, wanted 1,2,3"):
        parse_csv("0,4,0\n1,4\n", options=said("time=1", "voltage=2", "current=3"))
    with pytest.raises(CsvError, match="--column current=9, but there are 3 columns"):
        parse_csv("t,U,I\n0,4,0\n", options=said("current=9"))
    with pytest.raises(
        CsvError, match="--column current=J: no column has that name among 't', 'U', 'I'; or give its number"
    ):
        parse_csv("t,U,I\n0,4,0\n", options=said("current=J"))


def test_one_wild_reading_is_no_wrong_unit() -> None:
    rows = "".join(f"{k},4,{k / 100}\n" for k in range(20))
    assert parse_csv("time,U,I\n" + rows + "20,4,900\n").samples.current_a.max() == 900


@pytest.mark.parametrize(
    "rows",
    ["0,4,0\n", "0,nan,nan\n1,nan,nan\n2,,\n", "".join(f"{k / 50},4,0.25\n" for k in range(500)), "0,4,0\n1,4,0\n"],
    ids=["one", "none a number", "constant", "two"],
)
def test_too_little_is_read_as_unclear_or_as_what_it_is(rows: str) -> None:
    finding = read_trace(parse_csv("time_s,voltage_v,current_a\n" + rows))
    assert 0 <= finding.confidence <= 1
    if len(rows) < 40 and "0,4,0\n1" not in rows:
        assert finding.signature == "unclear"
    assert finding.signature not in ("clean-boot", "dead-short", "late-short")


@pytest.mark.parametrize("times", ["{:.3f}", "2024-05-01T10:{:02d}:{:06.3f}Z", "2024-05-01 10:{:02d}:{:06.3f}"])
@pytest.mark.parametrize("mode", ["", ",CV"])
def test_lines_at_once_and_one_by_one_give_the_same(times: str, mode: str) -> None:
    """A quoted number in a block of lines makes it be read one by one."""
    rng = np.random.default_rng(5)
    lines = []
    for k in range(3000):
        at = times.format(k / 50) if times.startswith("{") else times.format(k // 3000, k / 50 % 60)
        lines.append(f"{at},{4 + rng.normal(0, 0.01):.5f},{abs(rng.normal(0.2, 0.1)):.6f}{mode}")
    head = "t,U,I" + (",mode" if mode else "") + "\n"
    fast = parse_csv(head + "\n".join(lines) + "\n")
    lines[1500] = ",".join(f'"{x}"' for x in lines[1500].split(","))
    slow = parse_csv(head + "\n".join(lines) + "\n")
    assert numbers(fast) == numbers(slow)
    assert fast.start_ns == slow.start_ns
    assert np.array_equal(fast.samples.mode, slow.samples.mode)


def test_a_fault_far_down_has_its_line(monkeypatch: pytest.MonkeyPatch) -> None:
    """Past the first block of characters, with an empty line before."""
    monkeypatch.setattr(csvfile, "BLOCK", 4096)
    body = "".join(f"{k}.000000,4.000000,0.100000\n" for k in range(1000))
    with pytest.raises(CsvError, match="line 1003, column I: 'x' given"):
        parse_csv("t,U,I\n\n" + body + "1000,4,x\n")
    with pytest.raises(CsvError, match="line 1003, column t: 999 s does not come after 999 s"):
        parse_csv("t,U,I\n\n" + body + "999,4,0\n")


cell = st.one_of(
    st.floats(-1e5, 1e5).map(repr),
    st.integers(-5, 2 * 10**18).map(str),
    st.sampled_from(
        [
            "",
            "nan",
            "1,5",
            "1.234,5",
            '"3"',
            "10:11:12.5",
            "2024-05-01T10:11:12Z",
            "03/04/2024",
            "x",
            "9.91E37",
            "-",
            "1e999",
        ]
    ),
)
header = st.lists(
    st.sampled_from(["time", "t (ms)", "U [V]", "I", "current_ma", "date", "mode", "", "CH1 V", "Strom/A", "µ", "#t"]),
    min_size=1, max_size=5,
)  # fmt: skip


@settings(max_examples=200, deadline=None)
@given(
    header,
    st.lists(st.lists(cell, min_size=1, max_size=5), max_size=8),
    st.sampled_from([",", ";", "\t", " ", "|"]),
    st.sampled_from(["\n", "\r\n"]),
    st.sampled_from(
        [
            AS_IT_SAYS,
            ReadAs(decimal=","),
            ReadAs(interval_s=0.1),
            said("time=1", "voltage=2", "current=3"),
            said(current="mA", time="ms"),
        ]
    ),
)
def test_any_table_is_a_trace_or_an_error(
    names: list[str], rows: list[list[str]], by: str, end: str, options: ReadAs
) -> None:
    text = end.join(by.join(row) for row in [names, *rows])
    try:
        trace = parse_csv(text, "any.csv", options)
    except CsvError:
        return
    assert np.all(np.diff(trace.samples.t_ns) > 0)
    assert not np.any(np.isinf(trace.samples.current_a) | np.isinf(trace.samples.voltage_v))
    read_trace(trace)


@settings(max_examples=100, deadline=None)
@given(st.binary(max_size=300))
def test_any_bytes_are_a_trace_or_an_error(tmp_path_factory: pytest.TempPathFactory, raw: bytes) -> None:
    file = tmp_path_factory.getbasetemp() / "any.csv"
    file.write_bytes(raw)
    try:
        trace = read_csv(file).trace
    except CsvError:
        return
    assert len(trace.samples)


@pytest.mark.parametrize("head", ["time (us),vbus (mV),ibus (uA)", "clock (us),Rail 7 (mV),draw (uA)"])
def test_blanks_within_names_are_no_delimiter_and_a_unit_says_what_nobody_has_a_name_for(head: str) -> None:
    trace = parse_csv(head + "\n" + "".join(f"{k * 1000},4000,{k}\n" for k in range(5)))
    assert trace.samples.voltage_v.tolist() == [4.0] * 5
    assert trace.samples.current_a.tolist() == pytest.approx([k * 1e-6 for k in range(5)])
    assert np.diff(trace.samples.t_ns).tolist() == [1_000_000] * 4


def test_what_was_set_is_not_taken_for_what_was_measured() -> None:
    with pytest.raises(CsvError, match="no column for the voltage"):
        parse_csv("t (s),set voltage (V),i (A)\n0,4,1\n1,4,1\n")
