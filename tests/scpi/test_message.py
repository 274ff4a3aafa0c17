"""Checked against SCPI-1999 vol. 1 §6.2.4 (paths) and IEEE 488.2 §8.7.2-3 (NR1, NR2)."""

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.scpi import message


@pytest.mark.parametrize(
    ("commands", "joined"),
    [
        (["VOLT 4.000"], "VOLT 4.000"),
        (["INST:NSEL 2", "OUTP OFF"], "INST:NSEL 2;:OUTP OFF"),
        (["INST:NSEL 1", "MEAS:VOLT?;:MEAS:CURR?"], "INST:NSEL 1;:MEAS:VOLT?;:MEAS:CURR?"),
        (["*CLS", "VOLT 1"], "*CLS;:VOLT 1"),
        (["VOLT 1", "*OPC?"], "VOLT 1;*OPC?"),  # a common command has no path, so it takes no colon
        ([":VOLT 1", ":CURR 2"], ":VOLT 1;:CURR 2"),
        ([], ""),
    ],
)
def test_commands_joined_need_no_path_rule(commands, joined):
    assert message.join(commands) == joined


@pytest.mark.parametrize(
    ("value", "decimals", "text"),
    [
        (4, 3, "4.000"),
        (0.0005, 3, "0.001"),
        (1e-9, 3, "0.000"),
        (-1e-9, 3, "0.000"),
        (12345678.0, 1, "12345678.0"),
        (1e22, 0, "10000000000000000000000"),
        (3.7, 0, "4"),
        (-0.25, 2, "-0.25"),
    ],
)
def test_numbers_are_fixed_point(value, decimals, text):
    assert message.decimal(value, decimals) == text


@given(st.floats(-1e6, 1e6), st.integers(0, 6))
def test_a_written_number_is_within_half_a_step_and_never_has_an_exponent(value, decimals):
    text = message.decimal(value, decimals)
    assert re.fullmatch(r"-?\d+(\.\d+)?", text)
    assert abs(float(text) - value) <= 0.5000001 * 10.0**-decimals
    assert not (text.startswith("-") and float(text) == 0)


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_no_instrument_is_asked_for_nan(value):
    with pytest.raises(ValueError, match="no number"):
        message.decimal(value, 3)


def test_templates():
    assert message.fill("INST:NSEL {channel}", channel=2) == "INST:NSEL 2"
    assert message.fill("VOLT {value},(@{channel})", channel=3, value="1.000") == "VOLT 1.000,(@3)"
    assert message.fill("OUTP?") == "OUTP?"
    assert message.placeholders("VOLT {value},(@{channel})") == {"value", "channel"}


@pytest.mark.parametrize("template", ["VOLT {volts}", "VOLT {}", "VOLT {value:.3f}", "VOLT {value!r}", "VOLT {value"])
def test_a_template_with_anything_else_in_braces_is_refused(template):
    with pytest.raises(ValueError, match=r"placeholder|expected"):
        message.placeholders(template)


def test_a_placeholder_with_nothing_to_go_in_is_refused():
    with pytest.raises(ValueError, match="needs value"):
        message.fill("VOLT {value}", channel=1)
