"""Commands of families outside SCPI: each a regular expression that must fit the whole message, case aside."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Generic, NamedTuple, TypeVar

from benchd.sim.values import to_step

NUMBER = r"(\d{1,4}(?:\.\d{0,6})?|\.\d{1,6})"
"""A plain number as a group of a pattern; its range is for `within` to look at."""

D = TypeVar("D")
R = TypeVar("R", bound=Callable[..., str | bytes | None])


class Said(NamedTuple):
    """A command as it is carried out: the groups of its pattern, and the model's time in s."""

    words: tuple[str, ...]
    now_s: float

    @property
    def place(self) -> int:
        """The output whose number is the first group."""
        return int(self.words[0]) - 1


Reaction = Callable[[D, Said], str | bytes | None]
"""Returns the reply without its terminator, None when there is none."""


class Refused(Exception):
    """A value that the supply does not take."""


class Phrases(Generic[D]):
    """The commands of one family. The first one that fits is taken."""

    def __init__(self) -> None:
        self._known: list[tuple[re.Pattern[str], Reaction[D]]] = []

    def says(self, pattern: str) -> Callable[[R], R]:
        """Declare a command."""
        compiled = re.compile(pattern, re.IGNORECASE | re.ASCII)

        def declare(reaction: R) -> R:
            self._known.append((compiled, reaction))
            return reaction

        return declare

    def find(self, text: str, now_s: float) -> tuple[Reaction[D], Said] | None:
        """What this message asks for; None when it is no command of the family."""
        for pattern, reaction in self._known:
            if matched := pattern.fullmatch(text):
                return reaction, Said(matched.groups(), now_s)
        return None

    def quietly(self, supply: D, text: str, now_s: float) -> bytes | None:
        """The reply of a family that says nothing to what is no command of it, or out of range."""
        found = self.find(text, now_s)
        if found is None:
            return None
        reaction, said = found
        try:
            reply = reaction(supply, said)
        except Refused:
            return None
        return reply.encode("latin-1") if isinstance(reply, str) else reply


def within(text: str, lowest: float, highest: float, step: float) -> float:
    """A number in range, rounded to the setting's step. Raises Refused."""
    value = float(text)
    if not lowest <= value <= highest + step / 2:
        raise Refused(text)
    return min(max(to_step(value, step), lowest), highest)
