"""Error numbers and texts, and the queue they wait in (SCPI-1999 vol. 2 §21.8)."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable

TEXTS: dict[int, str] = {
    0: "No error",
    -101: "Invalid character",
    -102: "Syntax error",
    -103: "Invalid separator",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -112: "Program mnemonic too long",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -121: "Invalid character in number",
    -123: "Exponent too large",
    -124: "Too many digits",
    -131: "Invalid suffix",
    -134: "Suffix too long",
    -138: "Suffix not allowed",
    -141: "Invalid character data",
    -144: "Character data too long",
    -151: "Invalid string data",
    -158: "String data not allowed",
    -168: "Block data not allowed",
    -200: "Execution error",
    -221: "Settings conflict",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
}

EVENT_BITS = {1: 32, 2: 16, 3: 8, 4: 4, 5: 128, 6: 64, 7: 2, 8: 1}
"""Hundreds of an error number → the standard event register's bit (IEEE 488.2 §11.5.1)."""


class ScpiError(Exception):
    """An error for the queue. `detail` goes behind the text, after a semicolon."""

    def __init__(self, number: int, detail: str = "") -> None:
        super().__init__(number, detail)
        self.number = number
        self.detail = detail

    @property
    def ends_message(self) -> bool:
        """A command error leaves the parser without a path, so the rest of its message is dropped."""
        return -200 < self.number <= -100

    @property
    def text(self) -> str:
        return TEXTS[self.number]

    def entry(self) -> str:
        """As `SYSTem:ERRor?` gives it."""
        detail = "".join(c if " " <= c <= "~" and c != '"' else "?" for c in self.detail)
        text = self.text + (f";{detail}" if detail else "")
        return f'{self.number},"{text[:255]}"'


class DeviceError(ScpiError):
    """An error that only this family has: a positive number and its text."""

    def __init__(self, number: int, text: str) -> None:
        super().__init__(number)
        self._text = text

    @property
    def text(self) -> str:
        return self._text


def event_bit(number: int) -> int:
    """The standard event register's bit for an error; positive numbers are device errors."""
    return EVENT_BITS.get(-number // 100, 0) if number < 0 else 8


class ErrorQueue:
    """First in, first out. When full, the newest entry turns into -350 and later errors are lost.

    `form`: how an error is written.
    """

    def __init__(self, depth: int = 16, form: Callable[[ScpiError], str] = ScpiError.entry) -> None:
        self._depth = depth
        self._form = form
        self._entries: deque[str] = deque()

    def add(self, error: ScpiError) -> bool:
        """Whether there was room."""
        if len(self._entries) < self._depth:
            self._entries.append(self._form(error))
            return True
        self._entries[-1] = self._form(ScpiError(-350))
        return False

    def take(self) -> str:
        return self._entries.popleft() if self._entries else self._form(ScpiError(0))

    def take_all(self) -> str:
        entries = list(self._entries) or [self._form(ScpiError(0))]
        self._entries.clear()
        return ",".join(entries)

    def clear(self) -> None:
        self._entries.clear()

    def __len__(self) -> int:
        return len(self._entries)
