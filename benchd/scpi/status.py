"""What an instrument says about errors: entries of its queue (SCPI-1999 vol. 2 §21.8), or of an error register."""

from __future__ import annotations

import re
from typing import NamedTuple

from benchd.scpi import reply


class ErrorEntry(NamedTuple):
    """One entry of the error queue; number 0 means the queue is empty."""

    number: int
    text: str


_SPACED = re.compile(r"([+-]?[0-9]{1,18}) +([A-Za-z\"'].*)", re.DOTALL)


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
