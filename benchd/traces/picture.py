"""What a picture of traces shows, as data: curves on one time axis, moments, phases, limits, the reference and where
the trace leaves it. The picture in a file and the one in the terminal draw the same."""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Iterable, Sequence

import numpy as np

from benchd.traces.align import aligned, curve_of
from benchd.traces.band import Band
from benchd.traces.line import Floats, make_line
from benchd.traces.samples import Samples
from benchd.traces.thin import PER_BUCKET, thin
from benchd.traces.trace import Divergence, Finding, MarkKind, Trace

MOST_TRACES = 8
"""So many can be told apart in one picture, by colour and line together."""
COLUMNS = 1200
"""Time is cut into so many spans, each of which keeps its extremes: more than a picture has columns of pixels."""
GAP_INTERVALS = 8.0
"""No reading for so many usual intervals is a gap, and no line is drawn across it."""
LEAST_GAP_S = 0.5
"""A shorter pause is no gap, s: machines are busy at times."""
OF_EACH: tuple[MarkKind, ...] = ("tripped",)
"""Marks that are shown of each trace where there are several."""


class PictureError(ValueError):
    """What cannot be drawn, and what can."""


@dataclasses.dataclass(frozen=True, slots=True)
class Pictured:
    """A trace to be drawn, the name it goes by, and what was found on it."""

    name: str
    trace: Trace
    finding: Finding | None = None


@dataclasses.dataclass(frozen=True, slots=True)
class Curve:
    """A trace on the picture's time axis, thinned; NaN where there were no readings for a while."""

    name: str
    t_s: Floats
    voltage_v: Floats
    current_a: Floats


@dataclasses.dataclass(frozen=True, slots=True)
class Moment:
    """A mark with its name. `of`: which curve it belongs to, counted from 0."""

    name: str
    kind: MarkKind
    at_s: float
    of: int = 0


@dataclasses.dataclass(frozen=True, slots=True)
class Phase:
    """A part of a power-up: off, leak (before the button), boot, settled; `on` where no button is known."""

    name: str
    start_s: float
    end_s: float


@dataclasses.dataclass(frozen=True, slots=True)
class Scene:
    """Everything in one picture. Times are in s from what `zero` names."""

    title: str
    says: str
    """The finding in one sentence; empty without one."""
    zero: str
    curves: tuple[Curve, ...]
    moments: tuple[Moment, ...] = ()
    phases: tuple[Phase, ...] = ()
    set_voltages_v: tuple[float, ...] = ()
    limits_a: tuple[float, ...] = ()
    band: Band | None = None
    divergence: Divergence | None = None
    """Of the first trace, from the band or from the second trace."""

    @property
    def window_s(self) -> tuple[float, float]:
        """First and last moment that is shown."""
        ends = [float(t) for c in self.curves if len(c.t_s) for t in (c.t_s[0], c.t_s[-1])]
        first, last = min(ends, default=0.0), max(ends, default=1.0)
        return (first, last) if last > first else (first - 0.5, first + 0.5)


def scene(
    title: str,
    pictured: Sequence[Pictured],
    band: Band | None = None,
    divergence: Divergence | None = None,
    columns: int = COLUMNS,
) -> Scene:
    """What is drawn of these traces, with their time cut into so many `columns` that keep their extremes.

    `divergence`: where the first leaves the band or the second. One trace alone keeps its own time. Several, or one
    with a band, stand with their buttons at 0 s, aligned at the rise; one without a button stands with its beginning
    there, and its name says so. Raises PictureError with none or too many.
    """
    if not 1 <= len(pictured) <= MOST_TRACES:
        raise PictureError(f"{len(pictured)} traces asked for; 1 to {MOST_TRACES} can be told apart in one picture")
    alone = len(pictured) == 1
    together = not alone or band is not None
    zeros = _zeros(pictured, band) if together else [0.0]
    curves, marks = [], []
    for n, (p, zero) in enumerate(zip(pictured, zeros, strict=True)):
        name = p.name if alone or p.finding is None else f"{p.name}: {_named(p.finding)}"
        name += " (no button: from its start)" if zero is None else ""
        curves.append(_curve(p.trace, name, zero or 0.0, columns))
        shown = [m for m in moments(p, zero or 0.0, n) if alone or m.kind in OF_EACH or (m.kind == "button" and n == 0)]
        marks += shown
    first = pictured[0]
    return Scene(
        title=title,
        says=says(first.finding) if alone and first.finding else "",
        zero="the button, aligned at the rise" if together else "the trace's start",
        curves=tuple(curves),
        moments=tuple(sorted(marks, key=lambda m: m.at_s)),
        phases=phases(first, zeros[0] or 0.0) if alone else (),
        set_voltages_v=_distinct(p.trace.conditions.set_voltage_v for p in pictured),
        limits_a=_distinct(p.trace.conditions.limit_a for p in pictured),
        band=band and _coarser(band, columns),
        divergence=divergence if together else None,
    )


def _zeros(pictured: Sequence[Pictured], band: Band | None) -> list[float | None]:
    """What stands at 0 s, s after the start of each trace; None: it shows no button."""
    curves = [curve_of(p.trace) for p in pictured]
    to = band.finest if band is not None else curves[0]
    return [
        button_s(p) if c is None else (aligned(c, to) if to is not None and c is not to else c).zero_s
        for p, c in zip(pictured, curves, strict=True)
    ]


def _coarser(band: Band, columns: int) -> Band:
    return band.at(float(band.edges_s[-1] - band.edges_s[0]) / columns)


def button_s(p: Pictured) -> float | None:
    """The button as it was found, else as marked, s after the trace's start; None: neither."""
    found = p.finding.button_s if p.finding else None
    return p.trace.mark_s("button") if found is None else found


def says(finding: Finding) -> str:
    """The finding in one line: what, how sure, and the first thing it stands on."""
    return ": ".join([_named(finding), *(e.text for e in finding.evidence[:1])])


def moments(p: Pictured, zero_s: float, of: int = 0) -> list[Moment]:
    """The marks of a trace, one of each kind, s from `zero_s`."""
    found = []
    kinds: tuple[MarkKind, ...] = ("connected", "button", "boot-end", "removed", "tripped", "off")
    for kind in kinds:
        at = button_s(p) if kind == "button" else p.trace.mark_s(kind)
        if at is None:
            continue
        hand = any(m.kind == kind and m.by == "hand" for m in p.trace.marks)
        found.append(Moment(kind.replace("-", " ") + (" (by hand)" if hand else ""), kind, at - zero_s, of))
    return found


def phases(p: Pictured, zero_s: float) -> tuple[Phase, ...]:
    """The parts of a power-up in order, s from `zero_s`; parts of no length are left out."""
    t_s = (p.trace.samples.t_ns - p.trace.start_ns) / 1e9
    on = make_line(p.trace).t_s
    if not len(t_s):
        return ()
    first, last = float(t_s[0]), float(t_s[-1])
    if not len(on):
        return (Phase("off", first - zero_s, last - zero_s),) if last > first else ()
    begin, end, button, booted = float(on[0]), float(on[-1]), button_s(p), p.trace.mark_s("boot-end")
    edges = [("off", first), ("on" if button is None else "leak", begin)]
    if button is not None:
        edges += [("boot", min(max(button, begin), end)), ("settled", end if booted is None else booted)]
    edges += [("off", end), ("", last)]
    parts = [
        Phase(name, start - zero_s, stop - zero_s)
        for (name, start), (_, stop) in itertools.pairwise(edges)
        if stop > start
    ]
    return tuple(parts)


def _named(finding: Finding) -> str:
    return f"{finding.signature} ({finding.confidence:.0%})"


def _curve(trace: Trace, name: str, zero_s: float, columns: int) -> Curve:
    s = thin(trace.samples, columns * PER_BUCKET)
    t_s = (s.t_ns - trace.start_ns) / 1e9 - zero_s
    after = np.searchsorted(s.t_ns, gaps(trace.samples), "right")
    middles = (t_s[after - 1] + t_s[after]) / 2
    return Curve(
        name,
        np.insert(t_s, after, middles),
        np.insert(s.voltage_v, after, np.nan),
        np.insert(s.current_a, after, np.nan),
    )


def gaps(samples: Samples) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    """Times of the readings, ns, after which none came for a while."""
    steps = np.diff(samples.t_ns)
    if not len(steps):
        return np.empty(0, np.int64)
    return samples.t_ns[:-1][steps > max(GAP_INTERVALS * float(np.median(steps)), LEAST_GAP_S * 1e9)]


def _distinct(values: Iterable[float | None]) -> tuple[float, ...]:
    return tuple(sorted({v for v in values if v}))
