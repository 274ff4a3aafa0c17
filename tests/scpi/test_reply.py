"""Checked against IEEE 488.2-1992 §7.7, §8.4, §8.7 and SCPI-1999 vol. 1 §7, and PyVISA's block reader."""

import contextlib
import math
import struct

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from pyvisa import util

from benchd.scpi import reply
from benchd.scpi.reply import ReplyError


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("42", 42.0),  # NR1, IEEE 488.2 §8.7.2
        ("4.000", 4.0),  # NR2, §8.7.3
        ("+6.12000E-02", 0.0612),  # NR3, §8.7.4
        ("+4.00000E+00", 4.0),
        ("1.2e-3", 0.0012),
        (".1E2", 10.0),
        ("-5.", -5.0),
        ("#H20", 32.0),  # §7.7.4
        ("#Q20", 16.0),
        ("#B101010", 42.0),
        (" 7\r", 7.0),
    ],
)
def test_numbers(text, value):
    assert reply.number(text) == value


def as_32_bit(value):
    return repr(struct.unpack("f", struct.pack("f", value))[0])


@pytest.mark.parametrize("text", ["9.9E37", "+9.90000E+37", "9.9e37", as_32_bit(9.9e37)])
def test_overload_is_infinity(text):
    """SCPI-1999 vol. 1 §7.2.1; also where the number went through a 32-bit float."""
    assert reply.number(text) == math.inf
    assert reply.number("-" + text.lstrip("+")) == -math.inf


@pytest.mark.parametrize("text", ["9.91E37", "+9.91000E+37", as_32_bit(9.91e37)])
def test_no_reading_is_nan(text):
    """SCPI-1999 vol. 1 §7.2.1: a valid float that must not pass for a current."""
    assert math.isnan(reply.number(text))


@pytest.mark.parametrize(
    "text",
    [
        "",
        "nan",
        "inf",
        "1_000",
        "0x10",
        "1,2",
        "4.0V",
        "1e",
        "--1",
        "1.2.3",
        "١٢",
        "#H",
        "#HG1",
        "#X1",
        "9.95E37",
        "1E999",
        "9" * 400,
    ],
)
def test_what_python_takes_for_a_number_and_the_standard_does_not(text):
    with pytest.raises(ReplyError):
        reply.number(text)


def test_integers():
    assert reply.integer("+36") == 36
    assert reply.integer("-113") == -113
    assert reply.integer("#HFF") == 255
    for text in ("1.0", "", "9" * 19, "1E2", "#B2"):
        with pytest.raises(ReplyError):
            reply.integer(text)


def test_booleans():
    """The reply is always 1 or 0 (SCPI-1999 vol. 1 §7.3); ON and OFF come from real instruments."""
    assert reply.boolean("1") is True
    assert reply.boolean("0") is False
    assert reply.boolean("on") is True
    assert reply.boolean(" OFF\r") is False
    assert reply.boolean("YES", "", ("yes",), ("no",)) is True


@pytest.mark.parametrize("text", ["0.000", "0.0", "2", "", "4.000", "-0", "OFFICE", "XYZ"])
def test_a_stray_reading_is_no_boolean(text):
    with pytest.raises(ReplyError):
        reply.boolean(text)


def test_strings():
    """A doubled quote stands for one, IEEE 488.2 §7.7.5."""
    assert reply.string('"a""c"') == 'a"c'
    assert reply.string("'a''c'") == "a'c"
    assert reply.string('"it\'s"') == "it's"
    for text in ('"', '"a', 'a"', '"a"b"', "'a\"", ""):
        with pytest.raises(ReplyError):
            reply.string(text)


@pytest.mark.parametrize(
    ("text", "separators", "parts"),
    [
        ("10;20", ";", ["10", "20"]),  # one line, parts joined by ; (IEEE 488.2 §8.4)
        ("benchd,SIM-2,1,0;1", ";", ["benchd,SIM-2,1,0", "1"]),
        ('"a;b";2', ";", ['"a;b"', "2"]),
        ("'a;''b';2", ";", ["'a;''b'", "2"]),
        ("#15a;b;c;7", ";", ["#15a;b;c", "7"]),  # a definite block may hold anything, §8.7.9
        ("1, 2 ,3", ",", ["1", "2", "3"]),
        ("1,2;3", ",;", ["1", "2", "3"]),
        ("#H20;#B1", ";", ["#H20", "#B1"]),
        ("", ";", [""]),
        ("1;", ";", ["1", ""]),
    ],
)
def test_compound_replies_are_split_outside_quotes_and_blocks(text, separators, parts):
    assert reply.split(text, separators) == parts


@pytest.mark.parametrize("text", ['"open', "#25", "#9123", "1;#15ab", "#1²"])
def test_what_cannot_be_split(text):
    with pytest.raises(ReplyError):
        reply.split(text, ";")


def test_numbers_in_a_list():
    assert reply.numbers("+5.050, +1.100") == [5.05, 1.1]
    with pytest.raises(ReplyError):
        reply.numbers("1,,2")


@pytest.mark.parametrize(
    ("text", "data"),
    [
        ("#15hello", b"hello"),
        ("#204ABCD", b"ABCD"),
        ("#3005ABCDE", b"ABCDE"),
        ("#10", b""),
        ("#15a\nb\nc", b"a\nb\nc"),
        ("#15hello\n", b"hello"),
        ("#0hello\n", b"hello"),  # indefinite, §8.7.10
        ("#0", b""),
    ],
)
def test_blocks(text, data):
    """IEEE 488.2 §8.7.9-10."""
    assert reply.block(text) == data


@pytest.mark.parametrize("text", ["#210ABCD", "#", "hello", "", "#15helloX", "#2", "#1+", "#A1"])
def test_broken_blocks(text):
    with pytest.raises(ReplyError):
        reply.block(text)


@given(st.binary(max_size=300))
def test_blocks_agree_with_pyvisa(data):
    wire = f"#{len(str(len(data)))}{len(data)}".encode() + data
    start, length = util.parse_ieee_block_header(wire)[:2]
    assert reply.block(wire.decode("latin-1")) == wire[start : start + length] == data


def test_floats_in_a_block():
    """REAL,32 big-endian (SCPI-1999 vol. 2, FORMat): 3F800000 is 1.0, C0200000 is -2.5 (IEEE 754)."""
    assert struct.unpack(">2f", reply.block("#18\x3f\x80\x00\x00\xc0\x20\x00\x00")) == (1.0, -2.5)


def test_floats_of_a_block():
    """Byte orders as in SCPI-1999 vol. 2, FORMat:BORDer: NORMal is big-endian, SWAPped little; values by numpy."""
    values = [0.0, 4.0, -2.5, 0.0612, 1e-38, 8.9e37]
    for element, byte_order, kind in (("f32", "big", ">f4"), ("f32", "little", "<f4"), ("f64", "big", ">f8")):
        data = np.array(values, kind).tobytes()
        wire = b"#2%02d" % len(data) + data
        assert reply.floats(wire, element, byte_order) == tuple(np.array(values, kind).tolist())


def test_special_floats_of_a_block_mean_what_they_mean_as_text():
    """SCPI-1999 vol. 1 §7.2.1; an IEEE 754 infinity or nan means the same."""
    data = struct.pack(">7f", 1.0, 9.9e37, -9.9e37, 9.91e37, math.inf, -math.inf, math.nan)
    got = reply.floats(b"#228" + data)
    assert got[:3] == (1.0, math.inf, -math.inf)
    assert math.isnan(got[3])
    assert got[4:6] == (math.inf, -math.inf)
    assert math.isnan(got[6])


@pytest.mark.parametrize(
    "data", [b"#13abc", b"#18\x00", b"", b"4.000", b"#14" + struct.pack(">f", 1e38), b"#15\x00\x00\x00\x00\x00"]
)
def test_what_is_no_block_of_floats(data):
    with pytest.raises(ReplyError):
        reply.floats(data)


@pytest.mark.parametrize(
    ("text", "echo", "value"),
    [("V1 1.2", "V1", "1.2"), ("I1 0.1\r", "I1", "0.1"), ("v1  1.2", "V1", "1.2"), ("M CC", "M", "CC"),
     ("VP1 OFF", "VP1", "OFF")],
)  # fmt: skip
def test_an_echo_is_taken_off(text, echo, value):
    assert reply.strip_echo(text, echo) == value


@pytest.mark.parametrize("text", ["1.2", "V2 1.2", "V11.2", "V1", "V1 ", "", "I1 V1 1.2", "V11 .2"])
def test_a_missing_echo_is_an_error(text):
    with pytest.raises(ReplyError, match="V1, a blank"):
        reply.strip_echo(text, "V1")


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [("1.2V", "V", "1.2"), ("0.123A", "A", "0.123"), (" 1.2 V", "V", "1.2"), ("-0.5v\r", "V", "-0.5"),
     ("1E-3A", "A", "1E-3")],
)  # fmt: skip
def test_a_unit_is_taken_off(text, unit, value):
    assert reply.strip_unit(text, unit) == value


@pytest.mark.parametrize("text", ["1.2mV", "1.2MV", "1200 m V", "1.2", "1.2A", "V", "", "0x1V", "1.2 V V", "OFFV"])
def test_another_unit_is_an_error_and_no_scale(text):
    with pytest.raises(ReplyError, match="a number and V"):
        reply.strip_unit(text, "V")


def test_hexadecimal():
    """#H as in IEEE 488.2 §7.7.4.1."""
    assert reply.hexadecimal("0x0224") == reply.hexadecimal("#H224") == reply.hexadecimal("0224") == 0x224
    assert reply.hexadecimal("0XfF\r") == 255
    for text in ("", "0x", "#H", "4.0", "-1", "0x-1", "0x0x1", "1_0", " 0x 1", "f" * 17, "٣"):
        with pytest.raises(ReplyError, match="hexadecimal"):
            reply.hexadecimal(text)


@pytest.mark.parametrize("value", [0, 0x0A, 0x0D, 0x20, 0x51, 0xFF])
def test_a_raw_byte_may_be_any(value):
    assert reply.raw_byte(bytes([value])) == value
    for data in (b"", bytes([value, value])):
        with pytest.raises(ReplyError, match="one byte"):
            reply.raw_byte(data)


def test_flags():
    assert reply.flags("10010111") == 0b11101001
    assert reply.flags("1 0 0 1 0 1 1 1\r") == 0b11101001
    assert reply.flags("01") == 2
    for text in ("", "2", "0x1", "1" * 65, "1,0", "+1"):
        with pytest.raises(ReplyError):
            reply.flags(text)


def test_a_flag_that_is_not_told_is_refused_where_it_is_looked_at():
    assert reply.flags("1X1", needed=0b101) == 0b101
    with pytest.raises(ReplyError):
        reply.flags("1X1")
    with pytest.raises(ReplyError):
        reply.flags("1X1", needed=0b010)


def test_patterns():
    assert reply.pattern("CH1: 4.0V OK", r"CH\d: (?P<voltage>[\d.]+)V(?P<bad> BAD)?.*") == {"voltage": "4.0"}
    for text in ("CH1: V", "4.0", "x" * 1001):
        with pytest.raises(ReplyError, match="what fits"):
            reply.pattern(text, r"(?P<all>[\d.]+V|x+)")


PARSERS = [
    reply.number,
    reply.integer,
    reply.boolean,
    reply.string,
    reply.numbers,
    reply.block,
    lambda text: reply.split(text, ";"),
    lambda text: reply.split(text, ",; "),
    lambda text: reply.strip_echo(text, "V1"),
    lambda text: reply.strip_unit(text, "V"),
    reply.hexadecimal,
    reply.flags,
    lambda text: reply.pattern(text, r"(?P<volts>[\d.]+)V"),
    lambda text: reply.floats(text.encode("latin-1", "replace")),
    lambda text: reply.raw_byte(text.encode("latin-1", "replace")),
]

SNIPPETS = st.sampled_from(
    ['"', "'", "#", "#1", "#0", "#9", ";", ",", "9.9E37", "-", "+", "E", "\n", "0", "²", "٣", "1"]
)


@given(st.one_of(st.text(), st.lists(SNIPPETS).map("".join), st.binary().map(lambda b: b.decode("latin-1"))))
@example("#1²")
@example("#٣")
@example("#0€")
@example("9" * 5000)
def test_garbage_raises_the_one_error_and_no_other(text):
    for parse in PARSERS:
        with contextlib.suppress(ReplyError):
            parse(text)


def test_the_error_names_what_was_asked_and_shortens_what_came():
    with pytest.raises(ReplyError, match=r"asked MEAS:VOLT\?, got 'x+\.\.\.', expected a number"):
        reply.number("x" * 1000, "MEAS:VOLT?")
