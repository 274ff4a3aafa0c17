"""Codes that let a phone in without typing a token: good once, and not for long."""

from __future__ import annotations

import secrets
import time
from collections.abc import Callable

from benchd.tokens import hash_of
from benchd.web.caller import Caller

ALPHABET = "23456789ABCDEFGHJKLMNPQRSTUVWXYZ"
"""32 characters that nobody takes for another: no 0 and O, no 1 and I."""
LENGTH = 10
"""50 bits. With the few tries that a stranger has within its life, one guess in 10^12 is a hit."""
LIFE_S = 300.0
MOST = 8
"""Codes at a time; the oldest goes when there is one more."""


class Pairings:
    """The codes that are good now. `clock`: s, from anywhere."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._open: dict[str, tuple[Caller, float]] = {}

    def new(self, caller: Caller) -> str:
        """A code by which this caller comes in, within LIFE_S."""
        while len(self._open) >= MOST:
            self._open.pop(next(iter(self._open)))
        code = "".join(secrets.choice(ALPHABET) for _ in range(LENGTH))
        self._open[hash_of(code)] = (caller, self._clock() + LIFE_S)
        return f"{code[:5]}-{code[5:]}"

    def take(self, code: str) -> Caller | None:
        """Who comes in by it, once; None: nobody."""
        caller, until = self._open.pop(hash_of(_plain(code)), (None, 0.0))
        return caller if self._clock() < until else None


def _plain(code: str) -> str:
    return "".join(code.split()).replace("-", "").upper()
