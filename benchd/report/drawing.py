"""Traces as drawings that need no other file: SVG made of lines and text, for a page under a strict policy (no styles,
no scripts) and for paper alike. Pure.

A line goes through the extremes of every column (`traces.thin`), so no spike is missing.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator, Sequence
from html import escape

import numpy as np

from benchd.report.texts import Texts
from benchd.traces import picture_look as look
from benchd.traces.line import Floats
from benchd.traces.picture import SMALL_A, Curve, Scene
from benchd.traces.picture_look import CURRENT, GREEN, GREY, INK, VOLTAGE, Named

FONT = "DejaVu Sans, system-ui, sans-serif"
TINTS = {"off": "#e9e9e9", "leak": "#fbf1d9", "boot": "#ffffff", "settled": "#e6eef7", "short": "#f9e1ec"}
GRID = "#dddddd"
MOST_TICKS = 6
ROOM_ABOVE, ROOM_FOR_NAMES = 1.12, 1.22
"""Axes reach so far above what is drawn; where phases are named at the top."""
VOLTAGE_ROOM = 1.5
"""The voltage lies below the limit's line, which stands at the top of the current's axis."""
LIMIT_NEAR = 1.5
"""A limit of more than so many times the highest current is not drawn: it would press the current flat."""


@dataclasses.dataclass(frozen=True, slots=True)
class Size:
    """Of a drawing, in the units that its letters are measured in (points on paper)."""

    width: float
    height: float
    letters: float
    left: float = 40.0
    right: float = 34.0
    below: float = 28.0


WIDE = Size(520, 172, 8)
"""A trace alone, with voltage, marks and phases."""
SMALL = Size(256, 118, 8, left=38, right=6, below=26)
"""Before and after: the current only."""


@dataclasses.dataclass(frozen=True, slots=True)
class Frame:
    """What both drawings of a pair share, so that they can be compared: time in s, current in A."""

    from_s: float
    to_s: float
    low_a: float
    top_a: float

    @classmethod
    def of(cls, curves: Sequence[Curve], most_a: float = 0.0, room: float = ROOM_ABOVE) -> Frame:
        """Everything of these curves; the current's axis has 0 in it, and `most_a`, with so much `room` above."""
        ends = [float(t) for c in curves if len(c.t_s) for t in (c.t_s[0], c.t_s[-1])]
        from_s, to_s = min(ends, default=0.0), max(ends, default=1.0)
        if to_s <= from_s:
            from_s, to_s = from_s - 0.5, from_s + 0.5
        low_a, top_a = 0.0, most_a
        for curve in curves:
            known = curve.current_a[np.isfinite(curve.current_a)]
            if len(known):
                low_a, top_a = min(low_a, float(known.min())), max(top_a, float(known.max()))
        top_a = top_a if top_a > low_a else 0.001
        return cls(from_s, to_s, low_a * ROOM_ABOVE, top_a * room)


class _Plot:
    """A plot in the making: places of values, and the pieces so far."""

    def __init__(self, size: Size, top: float, frame: Frame) -> None:
        self.size, self.frame, self.top = size, frame, top
        self.bottom = size.height - size.below
        self.right = size.width - size.right
        self.parts: list[str] = []

    def x(self, t_s: Floats | float) -> Floats:
        share = (np.asarray(t_s, float) - self.frame.from_s) / (self.frame.to_s - self.frame.from_s)
        return self.size.left + np.clip(share, 0.0, 1.0) * (self.right - self.size.left)

    def y(self, value: Floats | float, low: float, top: float) -> Floats:
        return self.bottom - (np.asarray(value, float) - low) / (top - low) * (self.bottom - self.top)

    def amps(self, value: Floats | float) -> Floats:
        return self.y(value, self.frame.low_a, self.frame.top_a)

    def text(self, x: float, y: float, text: str, anchor: str = "start", colour: str = INK) -> None:
        self.parts.append(f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" fill="{colour}">{_safe(text)}</text>')

    def line(self, x1: float, y1: float, x2: float, y2: float, colour: str, dash: str = "", width: float = 0.6) -> None:
        dashed = f' stroke-dasharray="{dash}"' if dash else ""
        self.parts.append(
            f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" stroke="{colour}" stroke-width="{width}"'
            f"{dashed}/>"
        )

    def curve(self, xs: Floats, ys: Floats, colour: str, width: float, dash: str = "") -> None:
        dashed = f' stroke-dasharray="{dash}"' if dash else ""
        for points in _pieces(xs, ys):
            self.parts.append(
                f'<polyline points="{points}" fill="none" stroke="{colour}" stroke-width="{width}" '
                f'stroke-linejoin="round"{dashed}/>'
            )

    def svg(self, alt: str) -> str:
        w, h = self.size.width, self.size.height
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {w:g} {h:g}" width="{w:g}" height="{h:g}" '
            f'role="img" font-family="{FONT}" font-size="{self.size.letters:g}"><title>{_safe(alt)}</title>'
            f'<rect width="{w:g}" height="{h:g}" fill="#ffffff"/>{"".join(self.parts)}</svg>'
        )


def wide(scene: Scene, texts: Texts, alt: str) -> str:
    """A trace alone: current and voltage with phases, marks, settings, and the band of its references."""
    curve = scene.curves[0]
    named = _names(scene, texts)
    shown_limits = [a for a in scene.limits_a if a <= LIMIT_NEAR * _most(curve.current_a)]
    most_a = max([*shown_limits, _most(scene.band.high_a) if scene.band is not None else 0.0], default=0.0)
    frame = Frame.of([curve], most_a, ROOM_FOR_NAMES)
    window = (frame.from_s, frame.to_s)
    placed = look.rows_of(named, window, WIDE.width - WIDE.left - WIDE.right)
    rows = 1 + max((row for _, row, _ in placed), default=-1)
    plot = _Plot(WIDE, 6 + look.ROW_PT * (rows + 1), frame)
    _phases(plot, scene, texts)
    _axes(plot, texts, texts("drawing.from-start" if scene.zero == "the trace's start" else "drawing.from-button"))
    _voltage(plot, scene, texts)
    _band(plot, scene)
    for limit_a in shown_limits:
        y = float(plot.amps(limit_a))
        plot.line(plot.size.left, y, plot.right, y, GREY, "4 2", 0.8)
        plot.text(plot.right - 3, y + 9, texts("drawing.limit", limit=texts.plain(limit_a)), "end", GREY)
    for moment in scene.moments:
        x = float(plot.x(moment.at_s))
        plot.line(x, plot.top, x, plot.bottom, INK, "2 2" if moment.kind != "button" else "", 0.8)
    plot.curve(plot.x(curve.t_s), plot.amps(curve.current_a), CURRENT, 1.2)
    for name, row, leftwards in placed:
        x = float(plot.x(name.at)) + (-2 if leftwards else 2)
        plot.text(x, plot.top - 4 - look.ROW_PT * row, name.text, "end" if leftwards else "start")
    return plot.svg(alt)


def small(curve: Curve, frame: Frame, texts: Texts, from_button: bool, alt: str) -> str:
    """One of a pair: the current."""
    plot = _Plot(SMALL, 14, frame)
    _axes(plot, texts, texts("drawing.from-button" if from_button else "drawing.from-start"))
    if from_button and frame.from_s < 0 < frame.to_s:
        x = float(plot.x(0.0))
        plot.line(x, plot.top, x, plot.bottom, INK, "", 0.8)
    plot.curve(plot.x(curve.t_s), plot.amps(curve.current_a), CURRENT, 1.2)
    return plot.svg(alt)


def _axes(plot: _Plot, texts: Texts, time_words: str) -> None:
    """Grid and figures of time (below) and current (left)."""
    frame, size = plot.frame, plot.size
    small_a = frame.top_a < SMALL_A
    scale = 1e3 if small_a else 1.0
    for value, digits in ticks(frame.low_a * scale, frame.top_a * scale, 5):
        y = float(plot.amps(value / scale))
        plot.line(size.left, y, plot.right, y, GRID)
        plot.text(size.left - 3, y + 3, texts.number(value, digits), "end")
    for value, digits in ticks(frame.from_s, frame.to_s, MOST_TICKS):
        x = float(plot.x(value))
        plot.line(x, plot.bottom, x, plot.bottom + 3, GREY)
        plot.text(x, plot.bottom + 11, texts.number(value, digits), "middle")
    plot.line(size.left, plot.bottom, plot.right, plot.bottom, GREY)
    plot.text(2, 9, texts("drawing.current-ma" if small_a else "drawing.current-a"), colour=CURRENT)
    plot.text((size.left + plot.right) / 2, size.height - 4, time_words, "middle")


def _voltage(plot: _Plot, scene: Scene, texts: Texts) -> None:
    """The voltage, dashed, with its axis on the right."""
    curve = scene.curves[0]
    top_v = VOLTAGE_ROOM * max(_most(curve.voltage_v), *scene.set_voltages_v, 0.1)
    low_v = min(0.0, _least(curve.voltage_v))
    for value, digits in ticks(low_v, top_v, 4):
        plot.text(plot.right + 3, float(plot.y(value, low_v, top_v)) + 3, texts.number(value, digits), colour=VOLTAGE)
    plot.text(plot.size.width - 2, 9, texts("drawing.voltage"), "end", VOLTAGE)
    plot.curve(plot.x(curve.t_s), plot.y(curve.voltage_v, low_v, top_v), VOLTAGE, 0.9, "5 2")


def _phases(plot: _Plot, scene: Scene, texts: Texts) -> None:
    for phase in scene.phases:
        x1, x2 = float(plot.x(phase.from_s)), float(plot.x(phase.to_s))
        plot.parts.append(
            f'<rect x="{x1:.1f}" y="{plot.top:.1f}" width="{max(x2 - x1, 0):.1f}" '
            f'height="{plot.bottom - plot.top:.1f}" fill="{TINTS[phase.name]}"/>'
        )
        name = texts(f"phase.{phase.name}")
        if x2 - x1 > len(name) * look.LETTER_PT:
            plot.text((x1 + x2) / 2, plot.top + 9, name, "middle", GREY)


def _band(plot: _Plot, scene: Scene) -> None:
    """Where a good board would lie, and the mean of the references."""
    if scene.band is None:
        return
    band = scene.band
    known = np.isfinite(band.low_a) & np.isfinite(band.high_a)
    inside = known & (band.t_s >= plot.frame.from_s) & (band.t_s <= plot.frame.to_s)
    if not inside.any():
        return
    xs, low, high = (v[inside] for v in (plot.x(band.t_s), plot.amps(band.low_a), plot.amps(band.high_a)))
    there, back = next(_pieces(xs, high), ""), next(_pieces(xs[::-1], low[::-1]), "")
    plot.parts.append(f'<polygon points="{there} {back}" fill="{GREEN}" fill-opacity="0.25"/>')
    plot.curve(xs, plot.amps(band.mean_a[inside]), GREEN, 0.9, "6 2 1 2")


def _names(scene: Scene, texts: Texts) -> list[Named]:
    """What stands above the curve, from left to right."""
    found = [Named(f"{texts('mark.' + m.kind)} {texts.number(m.at_s, 2)} s", m.at_s) for m in scene.moments]
    if (d := scene.divergence) is not None:
        found.append(Named(texts("drawing.leaves", at=texts.number(d.at_s, 2)), d.at_s))
    return sorted(found, key=lambda n: n.at)


def ticks(low: float, top: float, most: int) -> list[tuple[float, int]]:
    """At most so many round values within a range (steps of 1, 2 or 5 times a power of ten), each with the decimals
    that it needs."""
    if not (math.isfinite(low) and math.isfinite(top)) or top <= low:
        return []
    least = (top - low) / most
    power = math.floor(math.log10(least))
    step = next(s for s in (1, 2, 5, 10) if s * 10.0**power >= least * (1 - 1e-9)) * 10.0**power
    digits = max(0, -math.floor(math.log10(step) + 1e-9))
    first, last = math.ceil(low / step - 1e-9), math.floor(top / step + 1e-9)
    return [(n * step + 0.0, digits) for n in range(first, last + 1)]


def _pieces(xs: Floats, ys: Floats) -> Iterator[str]:
    """The points of each stretch without a gap; of points that lie level in a row the first and the last."""
    known = np.isfinite(xs) & np.isfinite(ys)
    for piece in np.split(np.arange(len(xs)), np.flatnonzero(~known)):
        places = piece[known[piece]]
        if not len(places):
            continue
        px, py = np.round(xs[places], 1), np.round(ys[places], 1)
        level = np.zeros(len(py), bool)
        level[1:-1] = (py[1:-1] == py[:-2]) & (py[1:-1] == py[2:])
        yield " ".join(f"{x:g},{y:g}" for x, y in zip(px[~level].tolist(), py[~level].tolist(), strict=True))


def _most(values: Floats) -> float:
    known = values[np.isfinite(values)]
    return float(known.max()) if len(known) else 0.0


def _least(values: Floats) -> float:
    known = values[np.isfinite(values)]
    return float(known.min()) if len(known) else 0.0


def _safe(text: str) -> str:
    """As text of an SVG: no markup, and nothing that XML does not allow."""
    return escape("".join(c if c.isprintable() else " " for c in text))
