"""Checked against SCPI-1999 vol. 2 §21.8 and IEEE 488.2 §11.2, §11.5.1."""

import pytest

from benchd.scpi.reply import ReplyError
from benchd.scpi.status import EventStatus, StatusByte, error_entry, event_bit


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


@pytest.mark.parametrize(
    ("number", "value"),
    [
        (-113, 32),
        (-222, 16),
        (-350, 8),
        (-410, 4),
        (-500, 128),
        (-600, 64),
        (-700, 2),
        (-800, 1),
        (101, 8),
        (0, 0),
        (-42, 0),
    ],
)
def test_the_register_bit_of_an_error_class(number, value):
    """SCPI-1999 vol. 2 §21.8.9 ff.: each class of errors sets one bit of the standard event register."""
    assert event_bit(number) == value


def test_registers_by_name():
    """IEEE 488.2 §11.5.1: 36 is a command error and a query error. §11.2: 100 is queue, event and summary."""
    assert EventStatus(36) == EventStatus.COMMAND_ERROR | EventStatus.QUERY_ERROR
    assert StatusByte(100) == StatusByte.ERROR_QUEUE | StatusByte.EVENT_STATUS | StatusByte.MASTER_SUMMARY
