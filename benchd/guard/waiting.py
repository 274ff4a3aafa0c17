"""What waits to be done by the thread of one supply: the urgent before the rest, and what an off makes void."""

from __future__ import annotations

import threading
from collections import deque

import msgspec

from benchd.guard.states import Event
from benchd.guard.wire import Adjust, Advance, PowerOff, PowerOn, Rearm

ROUNDS_AFTER_ADJUST = 3
"""Rounds of readings before the next command: the first may be a mean over both settings, and two that were made with
one setting are the least that tells a short from a capacitor that charges, however often somebody adjusts."""


class AllOff(msgspec.Struct, frozen=True):
    """The guard process itself wants every output of this supply off."""

    event: Event
    reason: str
    text: str = ""


class End(msgspec.Struct, frozen=True):
    """Leave the loop and close the link."""


class TakenOver(msgspec.Struct, frozen=True):
    """The watchdog made this supply safe over a link of its own while this thread was stuck."""


Orderly = PowerOn | Rearm | Advance | Adjust
Urgent = PowerOff | AllOff | TakenOver | End


class Waiting:
    """`put` and `wake` for any thread; everything else for the supply's own."""

    def __init__(self) -> None:
        self.urgent: deque[tuple[int, Urgent]] = deque()
        self._orderly: deque[tuple[int, Orderly]] = deque()
        self._posted = 0
        self._lock = threading.Lock()
        self._asleep = threading.Lock()
        """Held while there is nothing to wake up for. A bare lock: waiting for an Event costs five times as much."""
        self._asleep.acquire()
        self._rounds, self._from_s = 0, 0.0

    def put(self, command: Orderly | Urgent) -> None:
        """Add a command, and wake the thread."""
        with self._lock:
            self._posted += 1
            if isinstance(command, Orderly):
                self._orderly.append((self._posted, command))
            else:
                self.urgent.append((self._posted, command))
            if self._asleep.locked():
                self._asleep.release()

    def pause(self, seconds: float) -> None:
        """Until something is put, or for so long, s."""
        self._asleep.acquire(timeout=seconds)

    def due(self, now: float) -> bool:
        """Whether there is something to be done now. `now`: time.monotonic."""
        return bool(self.urgent or (self._orderly and self._rounds <= 0 and now >= self._from_s))

    def take(self) -> Orderly:
        """The next that is not urgent."""
        return self._orderly.popleft()[1]

    def hold_back(self, from_s: float) -> None:
        """An output was adjusted: nothing orderly before `from_s` (time.monotonic), nor before some rounds of readings.

        So that its readings can be judged, and that adjusting without end does not keep from looking at the time.
        """
        self._rounds, self._from_s = ROUNDS_AFTER_ADJUST, from_s

    def round_done(self) -> None:
        """Every output was read, or there is none to read."""
        self._rounds -= 1

    def void(self, number: int, channel: int | None) -> list[PowerOn]:
        """Take out the power-ons of this output (None: of all) that were put before the command of this number."""
        void = list[PowerOn]()
        with self._lock:
            waiting = list(self._orderly)
            self._orderly.clear()
            for posted, command in waiting:
                if isinstance(command, PowerOn) and channel in (None, command.channel) and posted <= number:
                    void.append(command)
                else:
                    self._orderly.append((posted, command))
        return void

    def off_for(self, channel: int) -> bool:
        """Whether an off, or the end, waits that concerns this output."""
        return any(
            not isinstance(urgent, PowerOff) or urgent.channel in (None, channel) for _, urgent in list(self.urgent)
        )
