"""Arrays of readings for traces, while single readings go on to be judged.

A chunk of an array arrives some hundred milliseconds after its first reading was taken, far too late for tripping. So
single readings feed the rules, and where an array runs it is what traces are made of.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from typing import Protocol

from benchd.reading import Reading
from benchd.supplies.errors import LinkError, LinkLost, SupplyError

FETCH_SHARE = 0.5
"""Fetched after this share of the time in which a chunk would be overwritten, so that one late fetch loses nothing."""


class Array(Protocol):
    """What is needed of `benchd.supplies.arrays.ArrayReader`."""

    running: bool

    @property
    def chunk_s(self) -> float: ...
    def start(self) -> None: ...
    def stop(self) -> None: ...
    def fetch(self) -> list[Reading]: ...


class Arrays:
    """The arrays of one supply, by channel number. `trouble` is told once why an array is given up."""

    def __init__(self, arrays: dict[int, Array], trouble: Callable[[str], None]) -> None:
        self._arrays = arrays
        self._trouble = trouble
        self._due_s: dict[int, float] = {}

    def running(self, channel: int) -> bool:
        """Whether this channel's traces are made of its array."""
        array = self._arrays.get(channel)
        return array is not None and array.running

    def turn(self, channel: int, on: bool, now_s: float) -> list[Reading]:
        """Start, fetch or stop, as the output is on or off; what is new, oldest first. Raises LinkLost."""
        array = self._arrays.get(channel)
        if array is None or not (on or array.running):
            return []
        try:
            if not on:
                array.stop()
            elif not array.running:
                array.start()
                self._due_s[channel] = now_s + array.chunk_s
            elif now_s >= self._due_s[channel]:
                self._due_s[channel] = now_s + FETCH_SHARE * array.chunk_s
                return array.fetch()
        except LinkLost:
            array.running = False
            raise
        except (LinkError, SupplyError) as error:
            self._give_up(channel, array, str(error))
        return []

    def _give_up(self, channel: int, array: Array, why: str) -> None:
        """Single readings do as well, only fewer of them."""
        del self._arrays[channel]
        with contextlib.suppress(LinkError, SupplyError):
            array.stop()
        self._trouble(f"channel {channel}: its array of readings is given up, single readings go on: {why}")
