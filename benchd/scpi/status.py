"""The error queue and the two standard registers (SCPI-1999 vol. 2 §21.8, IEEE 488.2 §11)."""

from __future__ import annotations

import enum
import re
from typing import NamedTuple

from benchd.scpi import reply


class ErrorEntry(NamedTuple):
    """One entry of the error queue; number 0 means the queue is empty."""

    number: int
    text: str


class EventStatus(enum.IntFlag):
    """Standard event status register, `*ESR?` (IEEE 488.2 §11.5.1)."""

    OPERATION_COMPLETE = 1
    REQUEST_CONTROL = 2
    QUERY_ERROR = 4
    DEVICE_ERROR = 8
    EXECUTION_ERROR = 16
    COMMAND_ERROR = 32
    USER_REQUEST = 64
    POWER_ON = 128


class StatusByte(enum.IntFlag):
    """Status byte, `*STB?` (IEEE 488.2 §11.2, SCPI-1999 vol. 1 §9)."""

    ERROR_QUEUE = 4
    QUESTIONABLE = 8
    MESSAGE_AVAILABLE = 16
    EVENT_STATUS = 32
    MASTER_SUMMARY = 64
    OPERATION = 128


_SPACED = re.compile(r"([+-]?[0-9]{1,18}) +([A-Za-z\"'].*)", re.DOTALL)

_CLASS_BITS = {
    1: EventStatus.COMMAND_ERROR,
    2: EventStatus.EXECUTION_ERROR,
    3: EventStatus.DEVICE_ERROR,
    4: EventStatus.QUERY_ERROR,
    5: EventStatus.POWER_ON,
    6: EventStatus.USER_REQUEST,
    7: EventStatus.REQUEST_CONTROL,
    8: EventStatus.OPERATION_COMPLETE,
}


def error_entry(text: str, asked: str = "SYST:ERR?", register: bool = False) -> ErrorEntry:
    """`<number>,"<text>"` as an entry. The text may lack its quotes, as on some instruments (common practice).

    `0 No Error`, with a blank for the comma, is taken too. `register`: the reply is a number alone, as from units
    that have an error register in place of a queue (`EER?`).
    """
    if register:
        return ErrorEntry(reply.integer(text, asked), "")
    head, comma, tail = text.partition(",")
    if not comma or " " in head.strip():
        spaced = _SPACED.fullmatch(text.strip())
        if spaced is None:
            raise reply.ReplyError(asked, text, 'a number, a comma and a text, such as 0,"No error"')
        head, tail = spaced.groups()
    entry_number = reply.integer(head, asked)
    words = tail.strip()
    return ErrorEntry(entry_number, reply.string(words, asked) if words[:1] in ('"', "'") else words)


def event_bit(error_number: int) -> EventStatus:
    """The register bit that an error of this number sets; positive numbers are the device's own (§21.8.2)."""
    if error_number > 0:
        return EventStatus.DEVICE_ERROR
    return _CLASS_BITS.get(-error_number // 100, EventStatus(0))
