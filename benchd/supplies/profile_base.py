"""What all tables of a driver profile share: strictness, errors, questions and commands.

The description beside each key is the one place where it is explained: the JSON Schema for editors and the list of keys
in `drivers/README.md` are made from it.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Annotated, Literal

import msgspec


class ProfileError(Exception):
    """A profile cannot be used; says file, table, key, what was given and what is allowed."""


def listed(items: Iterable[object]) -> str:
    """For error texts: the items with commas, or `none`."""
    return ", ".join(str(item) for item in items) or "none"


def told(text: str, **bounds: float) -> msgspec.Meta:
    """The description of a key, with `ge` and `le` bounds of its value."""
    return msgspec.Meta(description=text, **bounds)  # type: ignore[call-overload,no-any-return]


class Table(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A TOML table in which a misspelt key is an error, not a silent default."""


Select = Literal["none", "same-message", "separate-message"]
Form = Literal["number", "hex", "byte", "flags", "word", "text", "block"]
Field = Literal["voltage", "current", "power", "mode", "status", "time", "-"]


class Bits(Table, frozen=True, kw_only=True):
    """Some bits of a register, and the value they have when what is asked for is true."""

    mask: Annotated[
        int | tuple[int, ...], told("The bits that are looked at: one number, or one for each output in their order.")
    ]
    value: Annotated[
        int | tuple[int, ...] | None, told("What these bits are when it is true. Without it: all of them set.")
    ] = None

    def bits_at(self, place: int) -> int:
        """The mask for the output at `place` (0 is the first)."""
        return self.mask if isinstance(self.mask, int) else self.mask[place]

    def match(self, bits: int, place: int) -> bool:
        """Whether it is true for the output at `place` (0 is the first)."""
        mask = self.bits_at(place)
        wanted = mask if self.value is None else self.value if isinstance(self.value, int) else self.value[place]
        return bits & mask == wanted


class Query(Table, frozen=True, kw_only=True):
    """A question and how its reply is read. A plain string stands for a table with `send` alone."""

    send: Annotated[str, told("The message, without its end.")]
    select: Annotated[Select | None, told("How this one reaches its output; without it as in [channels].")] = None
    form: Annotated[
        Form,
        told(
            'What a value is: "number" (decimal, and #H, #Q, #B), "hex" (0x0224), "byte" (one raw byte), "flags" (the '
            'n-th character, 0 or 1, is bit n-1), "word", "text", "block" (IEEE 488.2 block of numbers).'
        ),
    ] = "number"
    lines: Annotated[int, told("Lines that come back for this one message.", ge=1, le=16)] = 1
    length: Annotated[int, told("Bytes of a reply that has no end; 0 where it has one.", ge=0, le=4096)] = 0
    stray: Annotated[int, told("Bytes that may follow such a reply and mean nothing.", ge=0, le=16)] = 0
    separators: Annotated[str, told("Between the values: some of ; , and space. For others: pattern.")] = ";"
    fields: Annotated[tuple[Field, ...], told('The values in their order; "-" passes one over.')] = ()
    echo: Annotated[
        str, told("What stands before the value, with a blank after it, as V1 in `V1 5.00`. Without a blank: pattern.")
    ] = ""
    units: Annotated[tuple[str, ...], told("The unit that is glued to each value, as V in `1.2V`.")] = ()
    quoted: Annotated[bool, told("The reply is one quoted string with the values in it.")] = False
    pattern: Annotated[
        str,
        told("A regular expression that the whole reply fits, with a named group for each of fields, else `value`."),
    ] = ""
    none_words: Annotated[tuple[str, ...], told("Words in the place of a number that mean that there is none.")] = ()
    on_words: Annotated[tuple[str, ...], told("Of a yes-or-no question: the words for yes, if not as in [words].")] = ()
    off_words: Annotated[tuple[str, ...], told("The words for no.")] = ()
    on: Annotated[Bits | None, told("Where it asks yes or no of a register: the bits that mean yes.")] = None
    cleared_by_reading: Annotated[
        bool, told("An event register: a set bit says that it happened since the last question, and is gone then.")
    ] = False
    element: Annotated[Literal["f32", "f64"], told("What a block holds: floats of 32 or 64 bits.")] = "f32"
    byte_order: Annotated[Literal["big", "little"], told("The byte order in a block.")] = "big"


class Command(Table, frozen=True, kw_only=True):
    """One or more messages without replies. A plain string or list of strings stands for a table with `send` alone."""

    send: Annotated[str | tuple[str, ...], told("The message, or several in their order.")]
    select: Annotated[Select | None, told("How these reach their output; without it as in [channels].")] = None


Ask = str | Query
Asks = str | Query | tuple[str | Query, ...]
Order = str | tuple[str, ...] | Command


def as_query(ask: Ask) -> Query:
    """The table that a question stands for."""
    return ask if isinstance(ask, Query) else Query(send=ask)


def as_queries(asks: Asks) -> tuple[Query, ...]:
    """All of them."""
    return tuple(map(as_query, asks)) if isinstance(asks, tuple) else (as_query(asks),)


def as_command(order: Order) -> tuple[tuple[str, ...], Select | None]:
    """The messages of a command, and how they reach their output where that is not as usual."""
    send, select = (order.send, order.select) if isinstance(order, Command) else (order, None)
    return ((send,) if isinstance(send, str) else send), select
