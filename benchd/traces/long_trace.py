"""A trace whose readings come in pieces, so that they need not be in memory together."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterable

from benchd.traces.samples import Samples
from benchd.traces.trace import Conditions, Mark, Trace


@dataclasses.dataclass(frozen=True, slots=True)
class LongTrace:
    """As `Trace`, but for `pieces`: gives the readings anew each time, piece by piece, in time order."""

    pieces: Callable[[], Iterable[Samples]]
    start_ns: int
    conditions: Conditions = dataclasses.field(default_factory=Conditions)
    marks: tuple[Mark, ...] = ()

    @classmethod
    def of(cls, trace: Trace) -> LongTrace:
        """A trace that is in memory, in one piece."""
        return cls(lambda: (trace.samples,), trace.start_ns, trace.conditions, trace.marks)

    def with_mode(self) -> bool:
        """Whether it is known of any reading how the supply regulated."""
        return any(bool(piece.mode.any()) for piece in self.pieces())
