"""Ways to misbehave on purpose, for the tests of whoever talks to this supply.

Set with `SIMulate:FAULt <kind>[,<argument>]`. Kinds add up; `NONE` ends them all. None of them touches a message that
begins with a SIMulate command, so a test can always see the truth and end the fault.

NONE: all faults end, the port opens again.
GARBAGE[,n]: every n-th reply (default each) is replaced by noise; with 0 < n < 1 each one with that probability.
LATE,s[,HOLD]: the next reply comes that much later. Later commands are carried out at once, and their replies overtake
    it; with HOLD they wait behind it. Once.
SPLIT[,s]: replies come in two pieces with a pause (default 0.05 s). Until NONE.
SILENT[,n]: the next n replies (default 1) are not sent at all.
DEAF: an order to switch off is accepted, and nothing happens. Until NONE.
IGNORE[,n]: the same for the next n orders to switch off (default 1).
STUCK: measured values repeat the last ones. Until NONE.
CLOSE: all other connections are dropped now, new ones are refused. Until NONE.
EXTRA[,n]: a line that nobody asked for follows the next n replies (default 1).
STORM[,rate]: lines that nobody asked for come at this rate (default 1000 per second) on every connection. Until NONE.
BLACKHOLE: nothing more is read from or said to any other connection; all stay open, new ones are accepted and find the
    same. Until NONE; what they sent meanwhile is carried out then.
POWERCYCLE[,s]: the supply loses power: outputs off, settings as after power-on, all connections are dropped, and new
    ones refused for that long (default 1 s). Once; NONE brings the port back sooner.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from typing import NamedTuple

from benchd.sim.errors import ScpiError
from benchd.sim.values import name, number

EXTRA_LINE = b"+1.23400E+00"
"""Looks like a reading: the trap is to take it for the answer to the next query."""


class Delivery(NamedTuple):
    """How a reply goes out: pieces with the delay of each in s; whether later replies wait for the last one."""

    pieces: tuple[tuple[float, bytes], ...]
    hold: bool = False


class Faults:
    """`ending`: what the supply puts behind its replies."""

    def __init__(self, seed: int, ending: bytes = b"\n") -> None:
        self._ending = ending
        self._random = random.Random(seed)
        self.clear()

    def clear(self) -> None:
        self.deaf = False
        self.stuck = False
        self.closed = False
        self.black_hole = False
        self.storm_per_s = 0.0
        self.power_cut_s: float | None = None
        self.link_changed = True
        """Something about connections is to be seen to by who holds them."""
        self._ignored = 0
        self._garbage_every = 0
        self._garbage_chance = 0.0
        self._replies = 0
        self._late_s: float | None = None
        self._hold = False
        self._split_s: float | None = None
        self._silent = 0
        self._extra = 0
        self.active = False
        """Whether replies can be touched at all; kept beside the rest because it is asked for every reply."""

    def set(self, kind: str, arguments: tuple[str, ...]) -> None:
        """Raises the ScpiError that fits a wrong kind or argument."""
        setter = _SETTERS.get(name(kind))
        if setter is None:
            raise ScpiError(-224, f"{kind} is none of {' '.join(_SETTERS)}")
        setter(self, arguments)
        self.active = self.active or name(kind) not in _BESIDE_REPLIES

    def ignores_off(self) -> bool:
        """Whether the order to switch off that came now is to come to nothing."""
        if self._ignored:
            self._ignored -= 1
            return True
        return self.deaf

    def extra_lines(self, count: int) -> bytes:
        """So many lines that nobody asked for."""
        return (EXTRA_LINE + self._ending) * count

    def deliver(self, reply: bytes) -> Delivery:
        """What becomes of a reply, its terminator included."""
        if self._silent:
            self._silent -= 1
            return Delivery(())
        self._replies += 1
        if self._is_garbage():
            reply = self._noise()
        late_s, hold = self._late_s or 0.0, self._hold
        self._late_s, self._hold = None, False
        pieces = [(late_s, reply)]
        if self._split_s is not None and len(reply) > 1:
            middle = len(reply) // 2
            pieces = [(late_s, reply[:middle]), (late_s + self._split_s, reply[middle:])]
            hold = True
        if self._extra:
            self._extra -= 1
            pieces.append((pieces[-1][0], self.extra_lines(1)))
        return Delivery(tuple(pieces), hold)

    def _is_garbage(self) -> bool:
        if self._garbage_chance:
            return self._random.random() < self._garbage_chance
        return self._garbage_every > 0 and self._replies % self._garbage_every == 0

    def _noise(self) -> bytes:
        letters = b"\x00\x07\x1b\x7f\x80\xa9\xff#$?*@~qQxX;,.+-"
        return bytes(self._random.choice(letters) for _ in range(self._random.randint(1, 24))) + self._ending

    def _set_garbage(self, arguments: tuple[str, ...]) -> None:
        value = _argument(arguments, 1.0, 0.0)
        if 0 < value < 1:
            self._garbage_chance, self._garbage_every = value, 0
        else:
            self._garbage_every, self._garbage_chance = max(1, round(value)), 0.0
        self._replies = 0

    def _set_late(self, arguments: tuple[str, ...]) -> None:
        if not arguments:
            raise ScpiError(-109)
        self._late_s = _argument(arguments[:1], 0.0, 0.0)
        if arguments[1:] and name(arguments[1]) != "HOLD":
            raise ScpiError(-224, arguments[1])
        self._hold = bool(arguments[1:])

    def _set_split(self, arguments: tuple[str, ...]) -> None:
        self._split_s = _argument(arguments, 0.05, 0.0)

    def _set_silent(self, arguments: tuple[str, ...]) -> None:
        self._silent = round(_argument(arguments, 1.0, 1.0))

    def _set_deaf(self, _arguments: tuple[str, ...]) -> None:
        self.deaf = True

    def _set_stuck(self, _arguments: tuple[str, ...]) -> None:
        self.stuck = True

    def _set_closed(self, _arguments: tuple[str, ...]) -> None:
        self.closed = self.link_changed = True

    def _set_ignore(self, arguments: tuple[str, ...]) -> None:
        self._ignored = round(_argument(arguments, 1.0, 1.0))

    def _set_storm(self, arguments: tuple[str, ...]) -> None:
        self.storm_per_s = _argument(arguments, 1000.0, 1.0)

    def _set_black_hole(self, _arguments: tuple[str, ...]) -> None:
        self.black_hole = self.link_changed = True

    def _set_power_cut(self, arguments: tuple[str, ...]) -> None:
        self.power_cut_s = _argument(arguments, 1.0, 0.0)
        self.link_changed = True

    def _set_extra(self, arguments: tuple[str, ...]) -> None:
        self._extra = round(_argument(arguments, 1.0, 1.0))

    def _set_none(self, _arguments: tuple[str, ...]) -> None:
        self.clear()


def _argument(arguments: tuple[str, ...], default: float, lowest: float) -> float:
    if not arguments:
        return default
    value = number(arguments[0], "S")
    if not lowest <= value <= 1e6:
        raise ScpiError(-222, arguments[0])
    return value


_SETTERS: dict[str, Callable[[Faults, tuple[str, ...]], None]] = {
    "NONE": Faults._set_none,
    "GARBAGE": Faults._set_garbage,
    "LATE": Faults._set_late,
    "SPLIT": Faults._set_split,
    "SILENT": Faults._set_silent,
    "DEAF": Faults._set_deaf,
    "STUCK": Faults._set_stuck,
    "CLOSE": Faults._set_closed,
    "EXTRA": Faults._set_extra,
    "IGNORE": Faults._set_ignore,
    "STORM": Faults._set_storm,
    "BLACKHOLE": Faults._set_black_hole,
    "POWERCYCLE": Faults._set_power_cut,
}

_BESIDE_REPLIES = frozenset({"NONE", "DEAF", "STUCK", "CLOSE", "IGNORE", "STORM", "BLACKHOLE", "POWERCYCLE"})
"""Kinds that leave the replies themselves as they are."""
