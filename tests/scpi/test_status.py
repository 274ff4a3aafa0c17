"""Checked against SCPI-1999 vol. 2 §21.8."""

import pytest

from benchd.scpi.reply import ReplyError
from benchd.scpi.status import error_entry


@pytest.mark.parametrize(
    ("text", "entry"),
    [
        ('0,"No error"', (0, "No error")),
        ('+0,"No error"', (0, "No error")),
        ('-113,"Undefined header;ABCD"', (-113, "Undefined header;ABCD")),
        ('-350,"Queue overflow"', (-350, "Queue overflow")),
        ('-222, "Data out of range; 99 ""V"""', (-222, 'Data out of range; 99 "V"')),
        ("-100,Command error", (-100, "Command error")),
        ('101,"a, b"', (101, "a, b")),
        ("0 No Error", (0, "No Error")),  # a blank for the comma, as on some small supplies
        ('-222 "Data out of range, 99"', (-222, "Data out of range, 99")),
    ],
)
def test_error_entries(text, entry):
    assert error_entry(text) == entry


@pytest.mark.parametrize(
    "text", ["", "0", "4.000;0.123", "4.000,0.123", 'x,"y"', '0,"No error', "0 1", "0 ", "4.000 V"]
)
def test_what_is_no_error_entry(text):
    with pytest.raises(ReplyError):
        error_entry(text)


def test_an_error_register_is_a_number_alone():
    assert error_entry("103", "EER?", register=True) == (103, "")
    assert error_entry(" 0\r", "EER?", register=True) == (0, "")
    for text in ('0,"No error"', "", "1.0", "EER 0"):
        with pytest.raises(ReplyError, match=r"asked EER\?"):
            error_entry(text, "EER?", register=True)
