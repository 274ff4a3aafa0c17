"""From a program message to the units in it, and from a header to a command.

Written for the simulated supply alone, from SCPI-1999 vol. 1 §6 and IEEE 488.2 §7, so that the driver's own
understanding of the language is tested against a second one.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from itertools import chain, product
from typing import Any, Generic, NamedTuple, TypeVar

from benchd.sim.errors import ScpiError

LONGEST_MNEMONIC = 12
"""Letters and digits in one keyword (IEEE 488.2 §7.6.1.4.1)."""

_NODE = re.compile(r"([A-Za-z]+(?:_[A-Za-z]+)*)(\d*)\Z")
_PATTERN_NODE = re.compile(r"(\*?[A-Za-z]+)([#%]?)")

T = TypeVar("T")


class Unit(NamedTuple):
    """One program message unit: its full header in upper case, from the root and without `?`, and its parameters."""

    header: str
    query: bool
    parameters: tuple[str, ...]


def short_form(mnemonic: str) -> str:
    """The short form that a pattern spells in capitals: `VOLTage` → `VOLT`."""
    return "".join(letter for letter in mnemonic if not letter.islower())


def spellings(pattern: str) -> Iterator[tuple[str, tuple[int, ...]]]:
    """All accepted spellings of a pattern such as `[SOURce:]VOLTage[:LEVel]`, without numeric suffixes.

    With each come the places (counted in the keywords that are there) of those marked `#` or `%` as having a suffix.
    """
    choices: list[list[tuple[str, bool] | None]] = []
    for part in re.findall(r"\[[^\]]+\]|[^\[\]]+", pattern):
        optional = part.startswith("[")
        for node in filter(None, part.strip("[]").split(":")):
            matched = _PATTERN_NODE.fullmatch(node)
            if matched is None:
                raise ValueError(f"pattern {pattern!r}: {node!r} is no keyword")
            name, numbered = matched.group(1), bool(matched.group(2))
            forms = dict.fromkeys((short_form(name), name.upper()))
            choices.append([*((form, numbered) for form in forms), *([None] if optional else [])])
    for chosen in product(*choices):
        nodes = [node for node in chosen if node is not None]
        yield ":".join(name for name, _ in nodes), tuple(i for i, (_, numbered) in enumerate(nodes) if numbered)


class Tree(Generic[T]):
    """Commands by header. A keyword marked `#` in the pattern takes a numeric suffix; others take 1 or none.

    Marked `%` it takes one too, and 0 stands for a suffix left out (in patterns with both marks, for any of them).

    What is not in this tree is looked for in its `parents`, the first one first.
    """

    def __init__(self, *parents: Tree[Any]) -> None:
        self._commands: dict[tuple[str, bool], tuple[T, tuple[int, ...], int]] = {}
        self._parents: tuple[Tree[T], ...] = parents

    def add(self, pattern: str, query: bool, command: T) -> None:
        """Raise ValueError when another command already has one of the spellings."""
        left_out = 0 if "%" in pattern else 1
        for header, numbered in spellings(pattern):
            if self._commands.setdefault((header, query), (command, numbered, left_out))[0] is not command:
                raise ValueError(f"{pattern}: {header} is already taken")

    def headers(self) -> Iterator[tuple[str, bool]]:
        """All accepted spellings, without suffixes, and whether each is a query."""
        return iter(dict.fromkeys(chain(self._commands, *(parent.headers() for parent in self._parents))))

    def find(self, header: str, query: bool) -> tuple[T, tuple[int, ...]]:
        """The command and its numeric suffixes. Raises -112, -113 or -114."""
        names: list[str] = []
        suffixes: list[int | None] = []
        for node in header.split(":"):
            if len(node) > LONGEST_MNEMONIC:
                raise ScpiError(-112, header)
            matched = _NODE.match(node.removeprefix("*"))
            if matched is None:
                raise ScpiError(-113 if node.replace("_", "").isalnum() else -101, header)
            names.append(("*" if node.startswith("*") else "") + matched.group(1))
            suffixes.append(int(matched.group(2)) if matched.group(2) else None)
        found = self._look_up((":".join(names), query))
        if found is None:
            raise ScpiError(-113, header)
        command, numbered, left_out = found
        if any(suffix not in (None, 1) for place, suffix in enumerate(suffixes) if place not in numbered):
            raise ScpiError(-114, header)
        given = (suffixes[place] for place in numbered)
        return command, tuple(left_out if suffix is None else suffix for suffix in given)

    def _look_up(self, key: tuple[str, bool]) -> tuple[T, tuple[int, ...], int] | None:
        if key in self._commands:
            return self._commands[key]
        return next((found for parent in self._parents if (found := parent._look_up(key)) is not None), None)


def split_outside_quotes(text: str, separator: str) -> list[str]:
    """Raises -151 for a string that does not end."""
    if '"' not in text and "'" not in text:
        return text.split(separator)
    parts, start, quote = [], 0, ""
    for place, letter in enumerate(text):
        if quote:
            # A doubled quote closes and opens again at once, which comes to the same.
            quote = "" if letter == quote else quote
        elif letter in "\"'":
            quote = letter
        elif letter == separator:
            parts.append(text[start:place])
            start = place + 1
    if quote:
        raise ScpiError(-151, text)
    return [*parts, text[start:]]


def units(message: str) -> Iterator[Unit]:
    """The units of a message, without its terminator, as the path rule expands them (SCPI-1999 vol. 1 §6.2.4).

    A header after `;` goes on from the parent of the last keyword, one with a leading `:` starts at the root, common
    commands neither use nor move the path. Raises ScpiError in place of the first unit that cannot be read.
    """
    path = ""
    for piece in split_outside_quotes(message, ";"):
        text = piece.strip()
        if not text:
            continue
        header, _, rest = text.replace("\t", " ").partition(" ")
        query = header.endswith("?")
        header = header.removesuffix("?").upper()
        if not header.isascii() or not header.isprintable():
            raise ScpiError(-101, header)
        if "?" in header or "," in header:
            raise ScpiError(-102, header)
        if header.startswith("*"):
            full = header
        else:
            full = header[1:] if header.startswith(":") else path + header
            path = full[: full.rfind(":") + 1]
        if header.rfind("*") > 0:
            raise ScpiError(-113, header)  # common commands stand outside the tree, so no path or colon leads there
        if not all(full.split(":")):
            raise ScpiError(-102, text)
        yield Unit(full, query, _parameters(rest))


def _parameters(text: str) -> tuple[str, ...]:
    if not text.strip():
        return ()
    if not text.isascii():
        raise ScpiError(-101, text)
    parameters = tuple(part.strip() for part in split_outside_quotes(text, ","))
    if not all(parameters):
        raise ScpiError(-102, text)
    return parameters
