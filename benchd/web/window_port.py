"""What a view into a long trace asks of the daemon, and the shapes it gets."""

from __future__ import annotations

from typing import Protocol

import msgspec

from benchd.store.log import TraceRow
from benchd.traces.between import Between
from benchd.traces.measured import Measured


class Window(msgspec.Struct):
    """Readings with from_s <= t < to_s (s after `t0_ns`, the trace's start) as columns for a plot: `t_s`, `v` V, `i` A;
    null: a gap. The nearest reading on either side is there, too, so that a line goes on to the edges."""

    t0_ns: int
    from_s: float
    to_s: float
    t_s: list[float]
    v: list[float | None]
    i: list[float | None]
    readings: int
    """So many there are."""
    thinned: bool
    """Of each column of pixels only the first, the last, the lowest and the highest of voltage and current are here;
    false: all."""


class LinedUp(msgspec.Struct):
    """A trace among others on one time axis."""

    trace: TraceRow
    zero_s: float
    """What stands at 0 s, s after its start."""
    by: str
    """button: its own; rise: moved, so that its rise lies on that of the first; start: it shows no button."""


class WindowPort(Protocol):
    """Every method may raise `Refused`."""

    async def window(self, trace: str, from_s: float | None, to_s: float | None, columns: int) -> Window:
        """A part of a trace (None: from its first reading, to its last), on so many columns of pixels."""

    async def between(self, trace: str, from_s: float, to_s: float) -> Between:
        """What went through between two moments."""

    async def measured(self, trace: str) -> Measured:
        """Its phases and quantities."""

    async def line_up(self, traces: list[str]) -> list[LinedUp]:
        """Several on one time axis, in the order asked for."""
