"""A profile's questions and commands made ready for one output: bytes to send, and how the reply is read.

Everything that can be done beforehand is done here, so that the reading path only sends, receives and parses.
Whatever comes back, `Question` gives a value or raises `ReplyError` or `InstrumentSays`.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import NamedTuple

from benchd.scpi import framing, message, reply
from benchd.scpi.reply import ReplyError
from benchd.supplies.link import Link
from benchd.supplies.profile_base import Bits, Order, Query, Select, as_command
from benchd.supplies.profile_tables import Profile


class InstrumentSays(Exception):
    """An error text came in the place of a reply."""


class Orders(NamedTuple):
    """A command to one output. `selection` goes before it in a message of its own; `messages` in their order."""

    selection: bytes | None
    messages: tuple[bytes, ...]

    @property
    def told(self) -> str:
        """For people, without ends."""
        return " ".join(data.decode("ascii").strip() for data in self.messages)


class Question:
    """One query to one output.

    `selection`: a message that selects the output beforehand, where it needs one of its own. `data`: the query.
    `frame`: what ends its reply; None as usual on this link. `gap_ns`: the rest after it. `fields`: of its values.
    `bits`: those that must be told, where the query itself does not say.
    """

    def __init__(self, query: Query, maker: Maker, gap_ns: int | None, bits: Bits | None = None) -> None:
        self._query = query
        bits = query.on or bits
        self._looked_at = bits.bits_at(maker.place) if bits else 0
        self.selection, self.data = maker.question(query)
        self.frame = _frame(query, maker.profile)
        self.gap_ns = gap_ns
        self.fields = query.fields
        self.place = maker.place
        self._name = self.data.decode("ascii").strip()
        self._echo = maker.filled(query.echo) if query.echo else ""
        self._pattern = re.compile(query.pattern, re.IGNORECASE) if query.pattern else None
        words = maker.profile.words
        self._words = (query.on_words, query.off_words) if query.on_words else (words.on, words.off)
        errors = maker.profile.errors
        self._texts = [re.compile(text, re.IGNORECASE) for text in (errors.texts if errors else ())]
        self._plain = (
            query.form == "number" and query.lines == 1 and not self._texts
            and not (query.echo or query.units or query.quoted or query.pattern or query.none_words)
        )  # fmt: skip

    @property
    def asked(self) -> str:
        """The query as text, for errors."""
        return self._name

    @property
    def is_plain(self) -> bool:
        """Whether the reply is nothing but numbers between separators."""
        return self._plain

    @property
    def separators(self) -> str:
        """What stands between the values."""
        return self._query.separators

    @property
    def register(self) -> bool:
        """Whether a yes or no is to be found in bits."""
        return self._query.on is not None

    @property
    def cleared_by_reading(self) -> bool:
        """Whether asking takes the bits away."""
        return self._query.cleared_by_reading

    def parts(self, raw: bytes) -> list[str]:
        """The values as texts, without echoes, units and quotes."""
        query = self._query
        text = raw.decode("latin-1")
        for pattern in self._texts:
            if pattern.fullmatch(text.strip()):
                raise InstrumentSays(f"asked {self._name}, came back {text.strip()!r}")
        if self._pattern is not None:
            found = reply.pattern(text.strip(), self._pattern, self._name)
            return [found.get(field, "") for field in query.fields or ("value",)]
        if query.quoted:
            text = reply.string(text, self._name)
        lines = [line.strip() for line in text.strip("\r\n").split("\n")] if query.lines > 1 else [text]
        if self._echo:
            lines = [reply.strip_echo(line, self._echo, self._name) for line in lines]
        if not query.fields:
            parts = lines
        else:
            parts = [part for line in lines for part in reply.split(line, query.separators, self._name)]
        wanted = max(1, len(query.fields))
        if len(parts) != wanted:
            raise ReplyError(self._name, text, f"{wanted} value{'s' if wanted > 1 else ''}")
        if query.units:
            parts = [
                reply.strip_unit(part, unit, self._name) if unit else part
                for part, unit in zip(parts, query.units, strict=True)
            ]
        return parts

    def number(self, text: str) -> float | None:
        """One of the `parts` as a number; None for a word that stands for no number."""
        if self._query.none_words and text.strip().upper() in (word.upper() for word in self._query.none_words):
            return None
        return reply.number(text, self._name)

    def one_number(self, raw: bytes) -> float | None:
        """The only value, as a number."""
        return self.number(self.parts(raw)[0])

    def bits(self, text: str) -> int:
        """One of the `parts` as a register."""
        form = self._query.form
        if form == "hex":
            return reply.hexadecimal(text, self._name)
        if form == "flags":
            return reply.flags(text, self._name, self._looked_at)
        if form == "byte":
            return reply.raw_byte(text.encode("latin-1"), self._name)
        return reply.integer(re.sub(r"\.0*$", "", text.strip()), self._name)

    def one_register(self, raw: bytes) -> int:
        """The only value, as a register. A raw byte is taken as it is, whatever character it may be."""
        if self._query.form == "byte":
            return reply.raw_byte(raw, self._name)
        return self.bits(self.parts(raw)[0])

    def truth(self, raw: bytes) -> bool:
        """The only value, as yes or no."""
        if self._query.on is not None:
            return self._query.on.match(self.one_register(raw), self.place)
        return reply.boolean(self.parts(raw)[0], self._name, *self._words)

    def word(self, raw: bytes) -> str:
        """The only value, as a word in capitals."""
        return self.parts(raw)[0].strip().strip("\"'").upper()

    def block(self, raw: bytes) -> list[float]:
        """The numbers of a block, or of a list."""
        if self._query.form == "block":
            return list(reply.floats(raw, self._query.element, self._query.byte_order, self._name))
        return reply.numbers(raw.decode("latin-1"), self._name, self._query.separators)


class Maker:
    """Makes questions and commands for one output of one profile."""

    def __init__(self, profile: Profile, link: Link, channel: int) -> None:
        self.profile = profile
        self.channel = channel
        self.name = profile.channel_name(channel)
        self.place = profile.channel_numbers.index(channel)
        self._link = link
        rests = profile.link
        self.set_gap_ns, self.read_gap_ns, self.status_gap_ns, self.select_gap_ns, self.output_gap_ns = (
            int(gap_ms * 1e6) or None
            for gap_ms in (
                rests.set_gap_ms, rests.read_gap_ms, rests.status_gap_ms, rests.select_gap_ms, rests.output_gap_ms
            )
        )  # fmt: skip

    def filled(self, template: str, value: str | None = None) -> str:
        """The template with this output's number and name in it."""
        return message.fill(template, channel=self.channel, name=self.name, value=value)

    def question(self, query: Query) -> tuple[bytes | None, bytes]:
        """The selection that goes before, if any, and the query."""
        selection, messages = self._selected((query.send,), query.select, None)
        return selection, messages[0]

    def ask(self, query: Query, state: bool = False, bits: Bits | None = None) -> Question:
        """A question. `state`: about a state or register, which have a rest of their own. `bits`: see Question."""
        return Question(query, self, self.status_gap_ns if state else self.read_gap_ns, bits)

    def order(self, order: Order, value: str | None = None) -> Orders:
        """A command; `value` as it is written."""
        messages, select = as_command(order)
        return Orders(*self._selected(messages, select, value))

    def _selected(
        self, templates: Sequence[str], select: Select | None, value: str | None
    ) -> tuple[bytes | None, tuple[bytes, ...]]:
        filled = [
            self.filled(template, value if "value" in message.placeholders(template) else None)
            for template in templates
        ]
        how = select or self.profile.channels.select
        if how == "none":
            return None, tuple(map(self._link.encode, filled))
        selection = self.filled(self.profile.channels.select_command)
        if how == "same-message":
            return None, tuple(self._link.encode(message.join([selection, text])) for text in filled)
        return self._link.encode(selection), tuple(map(self._link.encode, filled))


def _frame(query: Query, profile: Profile) -> framing.Frame | None:
    """What ends the reply; None where it is as usual on the link."""
    end = profile.link.read_end.encode()
    if query.length:
        return framing.LengthFrame(query.length, query.stray, profile.link.idle_ms)
    if query.form == "block":
        return framing.BlockFrame(end or b"\n", profile.link.idle_ms)
    if query.lines > 1:
        return framing.EndFrame(end or b"\n", query.lines, profile.link.skip_leading_ends)
    return None
