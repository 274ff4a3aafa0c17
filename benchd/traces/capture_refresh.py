"""Which readings are measurements, and which the last one again: an instrument that is asked faster than it measures
repeats itself. Constant memory and time per reading."""

from __future__ import annotations

CHANGES = 6
"""So many changes of the value before anything is believed of its pace."""
SURE = 1.6
"""The value that stays for this many of the shortest times between changes was measured again and is the same. More
than 1, since the moment of asking makes those times shorter or longer by the time between two questions."""
LONGEST_NS = 1_000_000_000
"""Slower than this no instrument measures that is of use here; a value that stays longer is a quiet line."""


class Refresh:
    """Feed it readings in order; it says of each whether it is a measurement of its own.

    A value that differs from the one before is new. One that is the same may be new or not: the shortest time that was
    seen between two changes is not shorter than the instrument's own pace by more than the time between two
    questions. Until enough changes are known, every reading counts.
    """

    __slots__ = ("_changed_ns", "_changes", "_counted_ns", "_every_ns", "_least_ns", "_value_a")

    def __init__(self) -> None:
        self._value_a = float("nan")
        self._changed_ns = 0
        self._counted_ns = 0
        self._changes = 0
        self._least_ns = LONGEST_NS
        self._every_ns = 0

    def is_new(self, t_ns: int, current_a: float) -> bool:
        """Whether this reading (ns, A) is a measurement of its own."""
        if current_a != self._value_a:
            self._value_a = current_a
            if self._changes and t_ns - self._changed_ns < self._least_ns:
                self._least_ns = t_ns - self._changed_ns
            self._changes += 1
            self._changed_ns = self._counted_ns = t_ns
            if self._changes > CHANGES:
                self._every_ns = round(SURE * self._least_ns)
            return True
        if t_ns - self._counted_ns < self._every_ns:
            return False
        self._counted_ns = t_ns
        return True
