"""What a picture of traces shows, as data: curves on one time axis, moments, phases, limits, the reference and where
the trace leaves it. The picture in a file and the one in the terminal draw the same."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Sequence

import numpy as np

from benchd.traces.align import aligned, curve_of
from benchd.traces.band import Band
from benchd.traces.features import Features, extract
from benchd.traces.line import Floats
from benchd.traces.phases import Phase
from benchd.traces.picture_look import Named, amperes, span
from benchd.traces.samples import Samples
from benchd.traces.thin import PER_BUCKET, thin
from benchd.traces.trace import Divergence, Finding, MarkKind, Trace
from benchd.traces.window import GAP_INTERVALS, LEAST_GAP_NS

MOST_TRACES = 8
"""So many can be told apart in one picture, by colour and line together."""
COLUMNS = 1200
"""Time is cut into so many spans, each of which keeps its extremes: more than a picture has columns of pixels."""
LEAST_PHASE_S = 0.005
"""A shorter part is none that could be seen, s."""
LEAST_MOVED_S = 0.005
"""A button that is moved by less stands at 0.00 s, s."""
FAR_ABOVE = 2.5
"""A limit beyond so many times the largest current is far above it."""
SMALL_A = 0.2
"""Largest current, below which the axis is in mA, A."""
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
    of: str = ""
    """Whose it is, in words."""
    told: str = ""
    """What stands in place of the finding's name: that it was filed as something else."""

    @property
    def title(self) -> str:
        """Name, whose it is, and the kind of board."""
        board = self.trace.conditions.board
        return ", ".join(w for w in (self.name, self.of, f"board {board}" if board else "") if w)


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
class Axis:
    """An axis of values, in V, or in A times `scale`."""

    label: str
    scale: float
    low: float
    top: float
    settings: tuple[tuple[float, str], ...]
    """Values with their names."""
    beyond: str = ""
    """Settings that are off the axis, in words; empty: none."""


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
    leaves: str = "the good one"
    """What the first trace leaves there, in words."""

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
    leaves: str = "",
) -> Scene:
    """What is drawn of these traces, with their time cut into so many `columns` that keep their extremes.

    `divergence`: where the first leaves the band, else the last, which is called `leaves`.
    One trace alone keeps its own time. Several, or one
    with a band, stand with their buttons at 0 s; the first is moved so that its rise lies on that of what it is
    compared with. One without a button stands with its beginning there, and its name says so; no band is laid on it.
    Raises PictureError with none or too many.
    """
    if not 1 <= len(pictured) <= MOST_TRACES:
        raise PictureError(f"{len(pictured)} traces asked for; 1 to {MOST_TRACES} can be told apart in one picture")
    alone = len(pictured) == 1
    features = [extract(p.trace) for p in pictured]
    zeros = _zeros(pictured, features, band, divergence)
    if band is not None and zeros[0] is None:
        band = None
        title += " (no button, so that its references cannot be laid on it)"
    together = not alone or band is not None
    if not together:
        zeros = [0.0]
    curves, marks = [], []
    for n, (p, zero) in enumerate(zip(pictured, zeros, strict=True)):
        name = p.name if alone or p.finding is None else f"{p.name}: {_named(p.finding)}"
        name += " (no button: from its start)" if zero is None else ""
        curves.append(_curve(p.trace, printable(name), zero or 0.0, columns))
        for m in moments(p, zero or 0.0, n):
            if alone or (m.kind == "button" and n == 0):
                marks.append(m)
            elif m.kind in OF_EACH:
                marks.append(dataclasses.replace(m, name=f"{printable(p.name)} {m.name}"))
    first = pictured[0]
    return Scene(
        title=printable(title),
        says=printable(says(first.finding, first.told)) if alone and first.finding else "",
        zero=_zero_words(zeros[0], features[0], band, leaves) if together else "the trace's start",
        curves=tuple(curves),
        moments=tuple(sorted(marks, key=lambda m: m.at_s)),
        phases=shown_phases(first.trace, features[0], zeros[0] or 0.0) if alone else (),
        set_voltages_v=_distinct(p.trace.conditions.set_voltage_v for p in pictured),
        limits_a=_distinct(p.trace.conditions.limit_a for p in pictured),
        band=band and _coarser(band, columns),
        divergence=divergence if together else None,
        leaves=leaves or "the good one",
    )


def _zero_words(zero_s: float | None, features: Features, band: Band | None, leaves: str) -> str:
    """What stands at 0 s: where the first trace was moved, its own button does not."""
    own = features.start.button_s if features.start is not None else None
    if zero_s is None or own is None or abs(zero_s - own) < LEAST_MOVED_S:
        return "the button"
    count = len(band.curves) if band is not None else 0
    whose = (
        ("the references' button" if count > 1 else "the reference's button") if count else f"the button of {leaves}"
    )
    return f"{whose}, with the rises laid on each other"


def shown_phases(trace: Trace, features: Features, zero_s: float = 0.0) -> tuple[Phase, ...]:
    """The parts of a trace, s from `zero_s`; what was recorded after switching off is one too."""
    found = list(features.phases)
    last_s = float(trace.samples.t_ns[-1] - trace.start_ns) / 1e9 if len(trace.samples) else 0.0
    if found and last_s > found[-1].to_s:
        found.append(Phase("off", found[-1].to_s, last_s))
    return tuple(
        dataclasses.replace(p, from_s=p.from_s - zero_s, to_s=p.to_s - zero_s)
        for p in found
        if p.to_s - p.from_s >= LEAST_PHASE_S
    )


def _zeros(
    pictured: Sequence[Pictured], features: Sequence[Features], band: Band | None, divergence: Divergence | None
) -> list[float | None]:
    """What stands at 0 s, s after the start of each trace; None: it shows no button."""
    curves = [curve_of(p.trace, f) for p, f in zip(pictured, features, strict=True)]
    zeros = [button_s(p) if c is None else c.zero_s for p, c in zip(pictured, curves, strict=True)]
    # As where the divergence was looked for: what is unlike is not moved.
    to = band.finest if band is not None else curves[-1] if divergence is not None else None
    if to is not None and curves[0] is not None and to is not curves[0]:
        zeros[0] = aligned(curves[0], to).zero_s
    return zeros


def _coarser(band: Band, columns: int) -> Band:
    return band.at(float(band.edges_s[-1] - band.edges_s[0]) / columns)


def current_axis(scene: Scene) -> Axis:
    """Of the currents; in mA where they are small. A limit far above them is named only: drawn, it would press them
    flat."""
    values = [c.current_a for c in scene.curves] + ([scene.band.high_a] if scene.band is not None else [])
    top_a = max((float(np.max(v[np.isfinite(v)], initial=0.0)) for v in values), default=0.0)
    unit, scale = ("mA", 1e3) if top_a < SMALL_A else ("A", 1.0)
    shown = [a for a in scene.limits_a if a <= FAR_ABOVE * top_a or top_a <= 0]
    hidden = [f"{a:g} A" for a in scene.limits_a if a not in shown]
    low, top = span([v * scale for v in values], [a * scale for a in shown])
    lines = tuple((a * scale, f"limit {a:g} A") for a in shown)
    return Axis(f"current in {unit}", scale, low, top, lines, f"limit {', '.join(hidden)}: far above" if hidden else "")


def voltage_axis(scene: Scene) -> Axis:
    """Of the voltages."""
    low, top = span([c.voltage_v for c in scene.curves], scene.set_voltages_v)
    return Axis("voltage in V", 1.0, low, top, tuple((v, f"set {v:g} V") for v in scene.set_voltages_v))


def names(scene: Scene) -> list[Named]:
    """What stands above the curves, from left to right: moments, and where the good one is left."""
    first, last = scene.window_s
    digits = 2 if last - first < 200 else 1
    found = [Named(f"{m.name} {_seconds(m.at_s, digits)}", m.at_s) for m in scene.moments]
    if (d := scene.divergence) is not None:
        here, good = amperes(d.current_a), amperes(d.reference_a)
        found.append(Named(f"leaves {scene.leaves} {_seconds(d.at_s, digits)}: {here}, not {good}", d.at_s))
    return sorted(found, key=lambda n: n.at)


def _seconds(at_s: float, digits: int) -> str:
    return f"{at_s:.{digits}f} s".replace("-", "\N{MINUS SIGN}")


def printable(text: str) -> str:
    """Text on one line, without what would control a terminal or break a file."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


def button_s(p: Pictured) -> float | None:
    """The button as it was found, else as marked, s after the trace's start; None: neither."""
    found = p.finding.button_s if p.finding else None
    return p.trace.mark_s("button") if found is None else found


def says(finding: Finding, told: str = "") -> str:
    """The finding in one line: what (or `told` in its place), how sure, and the first thing it stands on."""
    return ": ".join([told or _named(finding), *(e.text for e in finding.evidence[:1])])


def moments(p: Pictured, zero_s: float, of: int = 0) -> list[Moment]:
    """The marks of a trace, one of each kind, s from `zero_s`."""
    found = []
    kinds: tuple[MarkKind, ...] = ("connected", "button", "boot-end", "removed", "tripped", "off")
    for kind in kinds:
        at = button_s(p) if kind == "button" else p.trace.mark_s(kind)
        if at is None:
            continue
        marks = [m for m in p.trace.marks if m.kind == kind]
        name = kind.replace("-", " ") + next((f" ({m.why})" for m in marks if m.why), "")
        name += " (by hand)" if any(m.by == "hand" for m in marks) else ""
        found.append(Moment(name, kind, at - zero_s, of))
    return found


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
    return samples.t_ns[:-1][steps > max(GAP_INTERVALS * float(np.median(steps)), LEAST_GAP_NS)]


def _distinct(values: Iterable[float | None]) -> tuple[float, ...]:
    return tuple(sorted({v for v in values if v}))
