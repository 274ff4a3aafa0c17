"""Several traces on one time axis: each with the moment of its own that stands at 0 s."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal, NamedTuple

from benchd.traces.align import FINE_S, Curve, aligned, curve_of
from benchd.traces.trace import Trace


class Zero(NamedTuple):
    """What stands at 0 s."""

    s: float
    """s after the trace's start."""
    by: Literal["button", "rise", "start"]
    """Its own button; moved, so that its rise lies on that of the first one with a button; its beginning, since it
    shows no button."""


def line_up(traces: Sequence[Trace]) -> list[Zero]:
    """The moment of each that stands at 0 s: the button. Those behind the first one with a button are moved so that
    their rises lie on its rise, where that explains most of the difference, as for `compare` and the references."""
    curves = [curve_of(trace) for trace in traces]
    to = next((curve for curve in curves if curve is not None), None)
    return [Zero(0.0, "start") if curve is None else _zero(curve, to or curve) for curve in curves]


def _zero(curve: Curve, to: Curve) -> Zero:
    moved_s = aligned(curve, to).zero_s if curve is not to else curve.zero_s
    return Zero(moved_s, "button" if abs(moved_s - curve.zero_s) < FINE_S / 2 else "rise")
