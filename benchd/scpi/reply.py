"""Response messages, in: numbers, booleans, strings, lists and blocks (IEEE 488.2 §8.7, SCPI-1999 vol. 1 §7), and
what supplies say that keep to neither: echoes, glued units, bare hex, raw bytes, flag strings.

Replies are handled as text in which every byte is one character (latin-1), so that a binary block survives.
Whatever arrives, these functions return a value or raise `ReplyError`, and nothing else.
"""

from __future__ import annotations

import math
import re
import struct
from collections.abc import Collection
from typing import Literal

INFINITY = 9.9e37
"""Stands for infinity, an overload (SCPI-1999 vol. 1 §7.2.1.4)."""
NOT_A_NUMBER = 9.91e37
"""Stands for 'not a number', no reading (SCPI-1999 vol. 1 §7.2.1.5)."""
ORDINARY = 9e37
"""Numbers below it mean themselves."""
SPECIAL_TOLERANCE = 1e-6
"""Relative; both numbers lose digits where an instrument keeps them as 32-bit floats."""

LONGEST_MATCHED = 1000
"""Characters that `pattern` looks at. Ten times the longest such reply known to us."""

TRUE_WORDS = ("1", "ON")
FALSE_WORDS = ("0", "OFF")

_DECIMAL = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,5})?", re.ASCII)
_NR1 = re.compile(r"[+-]?\d{1,18}", re.ASCII)
_NON_DECIMAL = {"H": (16, re.compile(r"[0-9A-Fa-f]{1,16}")), "Q": (8, re.compile(r"[0-7]{1,21}")),
                "B": (2, re.compile(r"[01]{1,64}"))}  # fmt: skip
_FLAGS = re.compile(r"[01X]{1,64}")
_ELEMENTS = {"f32": ("f", 4), "f64": ("d", 8)}
_ORDERS = {"big": ">", "little": "<"}


class ReplyError(Exception):
    """A reply that is not what was expected. Holds `asked`, `got` (shortened) and `expected`."""

    def __init__(self, asked: str, got: str, expected: str) -> None:
        self.asked = asked
        self.got = got if len(got) <= 80 else got[:77] + "..."
        self.expected = expected
        super().__init__(f"asked {asked or '?'}, got {self.got!r}, expected {expected}")


def number(text: str, asked: str = "") -> float:
    """NR1, NR2, NR3 or non-decimal as a float; the special numbers as inf, -inf and nan."""
    body = text.strip()
    if not _DECIMAL.fullmatch(body):
        return float(_non_decimal(body, text, asked, "a number"))
    value = float(body)
    return value if -ORDINARY < value < ORDINARY else _special(value, text, asked)


def _special(value: float, text: str, asked: str) -> float:
    """What a number means that is too large for a reading, or none at all."""
    size = abs(value)
    if size < ORDINARY:
        return value
    if abs(size - INFINITY) <= SPECIAL_TOLERANCE * INFINITY:
        return math.copysign(math.inf, value)
    if abs(size - NOT_A_NUMBER) <= SPECIAL_TOLERANCE * NOT_A_NUMBER:
        return math.nan
    raise ReplyError(asked, text, "a number below 9.9E37")


def integer(text: str, asked: str = "") -> int:
    """NR1 (up to 18 digits) or non-decimal (up to 64 bits) as an int."""
    body = text.strip()
    if _NR1.fullmatch(body):
        return int(body)
    return _non_decimal(body, text, asked, "a whole number")


def _non_decimal(body: str, text: str, asked: str, expected: str) -> int:
    if body.startswith("#") and len(body) > 2 and body[1].upper() in _NON_DECIMAL:
        base, pattern = _NON_DECIMAL[body[1].upper()]
        if pattern.fullmatch(body, 2):
            return int(body[2:], base)
    raise ReplyError(asked, text, expected)


def boolean(
    text: str,
    asked: str = "",
    true_words: Collection[str] = TRUE_WORDS,
    false_words: Collection[str] = FALSE_WORDS,
) -> bool:
    """One of the given words, compared without case.

    The standard's reply is `1` or `0` (SCPI-1999 vol. 1 §7.3). A number such as `0.000` is refused: a stray
    current reading must not pass for an output that is off.
    """
    word = text.strip().upper()
    if word in (w.upper() for w in true_words):
        return True
    if word in (w.upper() for w in false_words):
        return False
    raise ReplyError(asked, text, " or ".join((*true_words, *false_words)))


def string(text: str, asked: str = "") -> str:
    """A quoted string without its quotes; a doubled quote stands for one (IEEE 488.2 §7.7.5, §8.7.8)."""
    body = text.strip()
    quote = body[:1]
    if quote not in ('"', "'") or len(body) < 2 or body[-1] != quote:
        raise ReplyError(asked, text, "a quoted string")
    inner = body[1:-1]
    if quote in inner.replace(quote * 2, ""):
        raise ReplyError(asked, text, "a quoted string with inner quotes doubled")
    return inner.replace(quote * 2, quote)


def split(text: str, separators: str, asked: str = "") -> list[str]:
    """The parts of a compound reply (`;`) or list (`,`), stripped; quotes and blocks are kept whole.

    IEEE 488.2 §8.4: the replies of one compound query come back as one line, joined by `;`.
    """
    if '"' not in text and "'" not in text and "#" not in text:  # nearly always
        if len(separators) == 1:
            return [part.strip() for part in text.split(separators)]
        return [part.strip() for part in re.split(f"[{re.escape(separators)}]", text)]
    parts, start, at = [], 0, 0
    while at < len(text):
        char = text[at]
        if char in ('"', "'"):
            end = text.find(char, at + 1)
            if end < 0:
                raise ReplyError(asked, text, "a closing quote")
            at = end + 1
        elif char == "#" and not text[start:at].strip(", ") and text[at + 1 : at + 2].isdecimal():
            at = _block_end(text, at, asked)
        elif char in separators:
            parts.append(text[start:at].strip())
            at += 1
            start = at
        else:
            at += 1
    parts.append(text[start:].strip())
    return parts


def numbers(text: str, asked: str = "", separators: str = ",") -> list[float]:
    """A list of numbers."""
    return [number(part, asked) for part in split(text, separators, asked)]


def block(text: str, asked: str = "") -> bytes:
    """The bytes of a definite (`#<n><length>`) or indefinite (`#0`) block (IEEE 488.2 §8.7.9, §8.7.10).

    The indefinite form ends with the message, so it must have come over a link that marks message ends.
    """
    if not (text[:1] == "#" and text[1:2] in "0123456789" and text[1:2]):
        raise ReplyError(asked, text, "a block that begins with # and a digit")
    end = _block_end(text, 0, asked)
    if end != len(text) and text[end:] != "\n":
        raise ReplyError(asked, text, f"nothing after the {end} characters of the block")
    start = 2 if text[1] == "0" else 2 + int(text[1])
    try:
        return text[start:end].encode("latin-1")
    except UnicodeEncodeError:
        raise ReplyError(asked, text, "one byte for each character") from None


def floats(
    data: bytes,
    element: Literal["f32", "f64"] = "f32",
    byte_order: Literal["big", "little"] = "big",
    asked: str = "",
) -> tuple[float, ...]:
    """The numbers of a block of IEEE 754 floats (SCPI-1999 vol. 2, FORMat[:DATA] REAL and FORMat:BORDer).

    Special numbers come as inf, -inf and nan, as from `number`, whether the block has them as 9.9E37 and 9.91E37
    or as the infinities and nan of IEEE 754.
    """
    text = data.decode("latin-1")
    body = block(text, asked)
    code, size = _ELEMENTS[element]
    if len(body) % size:
        raise ReplyError(asked, text, f"a block of {size}-byte floats, not {len(body)} bytes")
    values = struct.unpack(f"{_ORDERS[byte_order]}{len(body) // size}{code}", body)
    if not values or (math.isfinite(sum(values)) and min(values) > -ORDINARY and max(values) < ORDINARY):
        return values  # nearly always
    return tuple(_special(value, text, asked) if math.isfinite(value) else value for value in values)


def _block_end(text: str, at: int, asked: str) -> int:
    """Where the block that begins at `at` ends."""
    if text[at + 1] not in "0123456789":  # other scripts have decimal digits too
        raise ReplyError(asked, text, "a block length")
    count = int(text[at + 1])
    if count == 0:
        return len(text) - 1 if text.endswith("\n") else len(text)
    digits = text[at + 2 : at + 2 + count]
    if len(digits) != count or not _NR1.fullmatch(digits) or digits[0] in "+-":
        raise ReplyError(asked, text, f"a block length of {count} digits")
    end = at + 2 + count + int(digits)
    if end > len(text):
        raise ReplyError(asked, text, f"{int(digits)} bytes of block data, {end - len(text)} are missing")
    return end


def strip_echo(text: str, echo: str, asked: str = "") -> str:
    """`V1 1.2` → `1.2`: what stands after the echoed header and a blank. The echo is compared without case."""
    head, _, rest = text.strip().partition(" ")
    if head.upper() != echo.upper() or not rest.strip():
        raise ReplyError(asked, text, f"{echo}, a blank and a value")
    return rest.strip()


def strip_unit(text: str, unit: str, asked: str = "") -> str:
    """`1.2V` or `1.2 V` → `1.2`. Another unit, such as mV, is an error and no scale; so is none at all."""
    body = text.strip()
    value = body[: len(body) - len(unit)].rstrip()
    if not body.upper().endswith(unit.upper()) or not _DECIMAL.fullmatch(value):
        raise ReplyError(asked, text, f"a number and {unit}")
    return value


def hexadecimal(text: str, asked: str = "") -> int:
    """`0x0224`, `#H224` or bare `0224`, up to 64 bits."""
    body = text.strip()
    digits = body[2:] if body[:2].upper() in ("0X", "#H") else body
    if not _NON_DECIMAL["H"][1].fullmatch(digits):
        raise ReplyError(asked, text, "a hexadecimal number, such as 0x0224")
    return int(digits, 16)


def raw_byte(data: bytes, asked: str = "") -> int:
    """One byte as it is, 0 to 255; it may be a blank or a line end, so nothing is stripped."""
    if len(data) != 1:
        raise ReplyError(asked, data.decode("latin-1"), "one byte")
    return data[0]


def flags(text: str, asked: str = "", needed: int = -1) -> int:
    """`10010111`: the n-th character is bit n-1, so this is 0b11101001. Blanks may stand between.

    Some units write X where they tell nothing. It counts as 0, and is refused in a bit of `needed` (all, unless told
    otherwise): an output that is not told must not pass for one that is off.
    """
    body = "".join(text.split()).upper()
    if not _FLAGS.fullmatch(body) or any(char == "X" and needed >> bit & 1 for bit, char in enumerate(body)):
        raise ReplyError(asked, text, "0 or 1 for each flag that is looked at")
    return sum(1 << bit for bit, char in enumerate(body) if char == "1")


def pattern(text: str, expression: str | re.Pattern[str], asked: str = "") -> dict[str, str]:
    """The named groups of an expression that fits the whole reply, less those that took no part.

    The reply is held short, as the time that an expression takes may grow fast with the length.
    """
    found = re.fullmatch(expression, text) if len(text) <= LONGEST_MATCHED else None
    if found is None:
        shape = expression if isinstance(expression, str) else expression.pattern
        raise ReplyError(asked, text, f"what fits {shape} within {LONGEST_MATCHED} characters")
    return {name: value for name, value in found.groupdict().items() if value is not None}
