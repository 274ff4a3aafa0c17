"""The parser against worked cases of SCPI-1999 vol. 1 §6, §7 and IEEE 488.2-1992 §7 (clauses from memory)."""

from __future__ import annotations

import contextlib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchd.sim import instrument  # noqa: F401  (declares the commands)
from benchd.sim.errors import ScpiError
from benchd.sim.parser import Tree, short_form, spellings, split_outside_quotes, units
from benchd.sim.values import boolean, name, nr2, nr3, number, setting, to_step, whole
from benchd.sim.words import WORDS


def error_of(message: str) -> int | None:
    error = WORDS.program(message).error
    return None if error is None else error.number


# SCPI-1999 vol. 1 §6.2.1: the short form is the first four letters, or three when the fourth is a vowel.
@pytest.mark.parametrize(
    ("long", "short"),
    [
        ("VOLTage", "VOLT"),
        ("CURRent", "CURR"),
        ("OUTPut", "OUTP"),
        ("MEASure", "MEAS"),
        ("SOURce", "SOUR"),
        ("POWer", "POW"),
        ("PROTection", "PROT"),
        ("SYSTem", "SYST"),
        ("ERRor", "ERR"),
        ("DELay", "DEL"),
        ("IMMediate", "IMM"),
        ("AMPLitude", "AMPL"),
        ("LEVel", "LEV"),
        ("CLEar", "CLE"),
        ("QUEStionable", "QUES"),
        ("NSELect", "NSEL"),
        ("FETCh", "FETC"),
    ],
)
def test_short_form(long: str, short: str) -> None:
    assert short_form(long) == short
    by_rule = long[:3] if len(long) > 4 and long[3].upper() in "AEIOU" else long[:4]
    assert by_rule.upper() == short


def test_all_headers_of_the_supply_follow_the_short_form_rule() -> None:
    for header, query in WORDS.tree.headers():
        nodes = header.removeprefix("*").split(":")
        # IEEE 488.2 §7.6.1.4.1.
        assert all(len(node) <= 12 for node in nodes), header
        by_rule = [node[:3] if len(node) > 4 and node[3] in "AEIOU" else node[:4] for node in nodes]
        assert WORDS.tree.find("*" * header.startswith("*") + ":".join(by_rule), query) == WORDS.tree.find(
            header, query
        )


# SCPI-1999 vol. 1 §6.2.1: exactly the short or the long form, nothing between or beyond; case has no meaning.
@pytest.mark.parametrize("header", ["trig", "TRIGGER", "Trig", "tRiGgEr"])
def test_two_forms_are_known(header: str) -> None:
    tree: Tree[str] = Tree()
    tree.add("TRIGger", False, "it")
    assert tree.find(header.upper(), False) == ("it", ())


@pytest.mark.parametrize("header", ["trigge", "tri", "trigg", "triggers"])
def test_anything_else_is_unknown(header: str) -> None:
    tree: Tree[str] = Tree()
    tree.add("TRIGger", False, "it")
    with pytest.raises(ScpiError) as caught:
        tree.find(header.upper(), False)
    assert caught.value.number == -113


# SCPI-1999 vol. 1 §6.2: each default node may be left out on its own, and the question mark belongs to the header.
@pytest.mark.parametrize(
    "message",
    ["MEAS:CURR?", ":MEAS:CURR?", "MEAS:SCAL:CURR?", "MEAS:SCAL:CURR:DC?", "MEASURE:current:DC?"],
)
def test_default_nodes(message: str) -> None:
    assert error_of(message) is None


@pytest.mark.parametrize("message", ["MEAS?", "MEAS:DC?", "MEAS:CURR", "MEAS:CURR:SCAL?", "IDN?", "VOLT:AMPL:LEV 1"])
def test_headers_that_do_not_exist(message: str) -> None:
    assert error_of(message) == -113


# SCPI-1999 vol. 1 §6.2.5.2: an absent suffix is 1; out of range is -114.
def test_numeric_suffixes() -> None:
    assert WORDS.program("SIM:BUTT").steps == WORDS.program("SIM1:BUTTON").steps
    assert WORDS.program("SIM2:BUTT").steps[0].suffixes == (2,)
    assert error_of("OUTP1:STAT1 ON") is None
    assert error_of("OUTP2 ON") == -114


# The path rule, SCPI-1999 vol. 1 §6.2.4 and IEEE 488.2 appendix A.
@pytest.mark.parametrize(
    ("sent", "carried_out"),
    [
        ("VOLT 4.0;CURR 0.5", ["VOLT 4.0", "CURR 0.5"]),
        ("SOUR:VOLT 4.0;CURR 0.5", ["SOUR:VOLT 4.0", "SOUR:CURR 0.5"]),
        ("SOUR:VOLT:LEV 4.0;PROT 5.0", ["SOUR:VOLT:LEV 4.0", "SOUR:VOLT:PROT 5.0"]),
        ("MEAS:VOLT?;CURR?", ["MEAS:VOLT?", "MEAS:CURR?"]),
        ("MEAS:VOLT?;:OUTP OFF", ["MEAS:VOLT?", "OUTP OFF"]),
        ("SOUR:VOLT 4.0;*OPC?;CURR 0.5", ["SOUR:VOLT 4.0", "*OPC?", "SOUR:CURR 0.5"]),
        ("OUTP:STAT ON;VOLT 4", ["OUTP:STAT ON", "OUTP:VOLT 4"]),
        (
            "STAT:OPER:COND?;ENAB?;:STAT:QUES:COND?",
            ["STAT:OPER:COND?", "STAT:OPER:ENAB?", "STAT:QUES:COND?"],
        ),
    ],
)
def test_path_rule(sent: str, carried_out: list[str]) -> None:
    found = [
        unit.header + ("?" if unit.query else "") + (" " + ",".join(unit.parameters) if unit.parameters else "")
        for unit in units(sent)
    ]
    assert found == carried_out


def test_output_state_does_not_lead_to_voltage() -> None:
    assert error_of("OUTP:STAT ON;VOLT 4") == -113


# IEEE 488.2 §7.7.2 and §8.7: any decimal form is read; §7.7.4: other bases; §7.7.3: suffixes, M is milli, MA is mega.
@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("4", 4.0),
        ("4.0", 4.0),
        ("+4.00000E+00", 4.0),
        ("1.2E-3", 0.0012),
        (".1E2", 10.0),
        ("-4e1", -40.0),
        ("5.", 5.0),
        ("#H20", 32),
        ("#Q20", 16),
        ("#B11", 3),
        ("#B101010", 42),
        ("1.2mV", 0.0012),
        ("1.2 MV", 0.0012),
        ("3 V", 3.0),
        ("250uV", 0.00025),
        ("2KV", 2000.0),
        ("2MAV", 2e6),
    ],
)
def test_numbers(text: str, value: float) -> None:
    assert number(text, "V") == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "unit", "expected"),
    [
        ("1 OHM", "V", -131),
        ("1 A", "V", -131),
        ("1 V", "", -138),
        ("XYZ", "V", -104),
        ("", "V", -104),
        ("1.2.3", "V", -121),
        ("1E33000", "V", -123),
        ("1" * 300, "V", -124),
        ("#B12", "V", -121),
        ("#15hello", "V", -168),
        ('"4"', "V", -158),
        ("1 ABCDEFGHIJKLM", "V", -134),
    ],
)
def test_numbers_that_are_refused(text: str, unit: str, expected: int) -> None:
    with pytest.raises(ScpiError) as caught:
        number(text, unit)
    assert caught.value.number == expected


def test_settings_know_their_range_their_names_and_their_step() -> None:
    def volts(text: str) -> float:
        return setting(text, "V", 0.0, 32.0, 5.0, 0.001)

    assert [volts(text) for text in ("MIN", "maximum", "DEF", "3.30049", "3.3005")] == [0.0, 32.0, 5.0, 3.3, 3.301]
    for refused in ("32.1", "-1", "NAN", "INF", "9.91E37", "1E400"):
        with pytest.raises(ScpiError) as caught:
            volts(refused)
        assert caught.value.number == -222
    assert to_step(1.0000000001, 0.001) == 1.0


# SCPI-1999 vol. 1 §7.3.
@pytest.mark.parametrize(
    ("text", "value"),
    [("ON", True), ("off", False), ("1", True), ("0", False), ("100", True), ("0.4", False), ("-0.6", True)],
)
def test_booleans(text: str, value: bool) -> None:
    assert boolean(text) is value


def test_words_that_are_no_boolean() -> None:
    with pytest.raises(ScpiError) as caught:
        boolean("XYZ")
    assert caught.value.number == -224


def test_whole_numbers_are_rounded_and_bounded() -> None:
    assert [whole(text, 0, 255) for text in ("32", "31.6", "#HFF", "255")] == [32, 32, 255, 255]
    for refused in ("256", "-1", "1E300"):
        with pytest.raises(ScpiError) as caught:
            whole(refused, 0, 255)
        assert caught.value.number == -222


def test_names_are_at_most_twelve_characters() -> None:
    assert name("ch1") == "CH1"
    with pytest.raises(ScpiError) as caught:
        name("ABCDEFGHIJKLM")
    assert caught.value.number == -144


# IEEE 488.2 §8.7.3 and §8.7.4.
def test_reply_forms() -> None:
    assert nr2(4.0, 0.001) == "4.000"
    assert nr2(4.0, 1.0) == "4"
    assert nr3(0.0612) == "+6.12000E-02"
    assert nr3(-1e-4) == "-1.00000E-04"


# IEEE 488.2 §7.7.5: a doubled quote stands for one; separators inside a string separate nothing.
def test_quotes_hide_separators() -> None:
    assert split_outside_quotes('a,"b,c",\'d;""e\'', ",") == ["a", '"b,c"', "'d;\"\"e'"]
    assert split_outside_quotes('"a"",b",c', ",") == ['"a"",b"', "c"]
    with pytest.raises(ScpiError) as caught:
        split_outside_quotes('VOLT "4', ",")
    assert caught.value.number == -151


@pytest.mark.parametrize(
    ("message", "expected"),
    [
        ("*ESE", -109),
        ("*IDN? 12", -108),
        ("VOLT 1,2", -108),
        ("VOLT", -109),
        ("VOLT 1,,2", -102),
        ("VOLT:?", -102),
        ("::VOLT 1", -102),
        ("VOLT&X 1", -101),
        ("VÖLT 1", -101),
        ("VOLT?? ", -102),
        ("ABCDEFGHIJKLM 1", -112),
        ("*IDN", -113),
        (":*IDN?", -113),
        ("SYST:*IDN?", -113),
        ("*XYZ?", -113),
    ],
)
def test_command_errors(message: str, expected: int) -> None:
    assert error_of(message) == expected


def test_blank_messages_are_nothing() -> None:
    for message in ("", " ", "\r", ";", " ; ;\t"):
        assert WORDS.program(message) == ((), None, False)


def test_what_is_before_an_error_is_still_carried_out() -> None:
    program = WORDS.program("OUTP OFF;FOO 1;VOLT 4")
    assert [step.parameters for step in program.steps] == [("OFF",)]
    assert program.error is not None
    assert program.error.number == -113


def test_a_spelling_cannot_be_taken_twice() -> None:
    tree: Tree[str] = Tree()
    tree.add("[SOURce:]VOLTage", False, "one")
    with pytest.raises(ValueError, match="already taken"):
        tree.add("VOLTage[:LEVel]", False, "two")


def test_spellings_of_a_pattern() -> None:
    found = {header for header, _ in spellings("[SOURce:]VOLTage[:LEVel]")}
    assert found == {
        "VOLT", "VOLTAGE", "VOLT:LEV", "VOLT:LEVEL", "VOLTAGE:LEV", "VOLTAGE:LEVEL",
        *(f"{source}:{volt}{level}" for source in ("SOUR", "SOURCE") for volt in ("VOLT", "VOLTAGE")
          for level in ("", ":LEV", ":LEVEL")),
    }  # fmt: skip


@given(st.text(max_size=80))
@settings(max_examples=100, deadline=None)
def test_any_text_is_understood_or_gives_an_error(message: str) -> None:
    program = WORDS.program(message)
    assert program.error is None or -200 < program.error.number <= -100


@given(st.text(alphabet="0123456789.eE+-#HQBVAmuk \"'(),", max_size=30))
@settings(max_examples=100, deadline=None)
def test_any_number_is_read_or_refused_with_an_error(text: str) -> None:
    """ScpiError is the only exception: hypothesis fails on any other."""
    with contextlib.suppress(ScpiError):
        assert isinstance(number(text, "V"), float)


@given(st.floats(-1e9, 1e9, allow_nan=False))
@settings(max_examples=100, deadline=None)
def test_a_number_written_by_us_is_read_back(value: float) -> None:
    assert number(nr3(value)) == pytest.approx(value, rel=1e-5)
