"""A measured curve as a drawing that needs no other file: points with their uncertainty, the model that fits. Pure."""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Iterator, Sequence
from html import escape

import numpy as np

from benchd.procedures.record import Column, Curve
from benchd.report.drawing import FONT, GRID, WIDE, ticks
from benchd.report.texts import Texts
from benchd.traces.picture_look import CURRENT, GREEN, GREY, INK, VOLTAGE

LEAST_POINTS = 2
MOST_MARKED = 120
"""Points of more are a line without marks."""
LONG_S = 7200.0
"""A longer course is told in hours. Our choice."""
LEAST_SHADE = 1.0
SHADE = "#c8c8c8"
Row = tuple[float, float, float, float]
"""Time, mean, least, largest."""


def chart(curve: Curve, texts: Texts, alt: str, good: Sequence[Curve] = ()) -> str:
    """SVG of the second column over the first; empty where there is nothing to draw. `good`: the same curve on good
    boards, thin and without marks, below."""
    points = curve.points()
    if len(points) < LEAST_POINTS:
        return ""
    beside = [[(x, y) for x, y, _ in each.points()] for each in good]
    every = [*points, *((x, y, 0.0) for line in beside for x, y in line)]
    plot = _Chart(*zip(*every, strict=True))
    plot.axes(curve.columns[0], curve.columns[1], texts)
    for line in beside:
        plot.line(line, GREEN, 0.6)
    plot.line([(x, y) for x, y, _ in points], CURRENT, 0.9)
    if len(points) <= MOST_MARKED:
        for x, y, u in points:
            plot.bar(x, y, u)
    pairs = zip(curve.columns[0].values, curve.fitted, strict=False)
    fitted = [(x, y) for x, y in pairs if x is not None and y is not None]
    if fitted:
        plot.line(fitted, VOLTAGE, 1.2, "5 2")
    return plot.svg(alt)


def course_chart(curve: Curve, texts: Texts, alt: str) -> str:
    """SVG of a course (`bins.is_course`): the mean, least to largest as a band, gaps grey and without a line. Hours
    where it is long."""
    hours = len(curve.columns[0].values) > 0 and (curve.columns[0].values[-1] or 0.0) > LONG_S
    per, across = (3600.0, Column("t_h", curve.columns[0].title, "h", ())) if hours else (1.0, curve.columns[0])
    rows = [
        (t / per, mean, low, high)
        for t, mean, low, high in zip(*(column.values for column in curve.columns), strict=True)
        if t is not None and mean is not None and low is not None and high is not None
    ]
    if len(rows) < LEAST_POINTS:
        return ""
    gaps = [(begin / per, end / per) for begin, end in curve.gaps]
    xs = [*(row[0] for row in rows), *(edge for gap in gaps for edge in gap)]
    plot = _Chart(xs, [row[3] for row in rows] + [row[2] for row in rows], [0.0] * 2 * len(rows))
    plot.axes(across, curve.columns[1], texts)
    for begin, end in gaps:
        plot.shade(begin, end)
    for stretch in _between(rows, gaps):
        plot.band([(x, low, high) for x, _, low, high in stretch])
        plot.line([(x, mean) for x, mean, _, _ in stretch], CURRENT, 0.9)
        if len(stretch) == 1:  # a line of one point is not seen
            plot.bar(stretch[0][0], stretch[0][1], 0.0)
    return plot.svg(alt)


def _between(rows: list[Row], gaps: list[tuple[float, float]]) -> Iterator[list[Row]]:
    """Rows in stretches that no gap breaks."""
    begin = 0
    for _, until in [*gaps, (0.0, math.inf)]:
        end = bisect_left(rows, until, begin, key=lambda row: row[0])
        if end > begin:
            yield rows[begin:end]
        begin = end


class _Chart:
    """Places of values, and the pieces so far."""

    def __init__(self, xs: Sequence[float], ys: Sequence[float], us: Sequence[float]) -> None:
        self.from_x, self.to_x = min(xs), max(xs)
        if self.to_x <= self.from_x:
            self.from_x, self.to_x = self.from_x - 0.5, self.from_x + 0.5
        self.low = min(0.0, *(y - u for y, u in zip(ys, us, strict=True)))
        self.top = max(y + u for y, u in zip(ys, us, strict=True)) * 1.1 or 1.0
        self.top = max(self.top, self.low + 1e-9)
        self.parts: list[str] = []

    def x(self, value: float) -> float:
        return WIDE.left + (value - self.from_x) / (self.to_x - self.from_x) * (WIDE.width - WIDE.right - WIDE.left)

    def y(self, value: float) -> float:
        bottom, top = WIDE.height - WIDE.below, 16.0
        return bottom - (value - self.low) / (self.top - self.low) * (bottom - top)

    def text(self, x: float, y: float, text: str, anchor: str, colour: str = INK) -> None:
        self.parts.append(f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" fill="{colour}">{escape(text)}</text>')

    def line(self, points: list[tuple[float, float]], colour: str, width: float, dash: str = "") -> None:
        dashed = f' stroke-dasharray="{dash}"' if dash else ""
        places = " ".join(f"{self.x(x):.1f},{self.y(y):.1f}" for x, y in points)
        self.parts.append(f'<polyline points="{places}" fill="none" stroke="{colour}" stroke-width="{width}"{dashed}/>')

    def bar(self, x: float, y: float, u: float) -> None:
        """A point with its expanded uncertainty."""
        at = self.x(x)
        self.parts.append(
            f'<line x1="{at:.1f}" y1="{self.y(y - u):.1f}" x2="{at:.1f}" y2="{self.y(y + u):.1f}" stroke="{CURRENT}" '
            f'stroke-width="0.6"/><circle cx="{at:.1f}" cy="{self.y(y):.1f}" r="1.4" fill="{CURRENT}"/>'
        )

    def band(self, rows: list[tuple[float, float, float]]) -> None:
        """From low to high at each x."""
        there = [f"{self.x(x):.1f},{self.y(high):.1f}" for x, _, high in rows]
        back = [f"{self.x(x):.1f},{self.y(low):.1f}" for x, low, _ in reversed(rows)]
        self.parts.append(f'<polygon points="{" ".join(there + back)}" fill="{CURRENT}" fill-opacity="0.25"/>')

    def shade(self, begin: float, end: float) -> None:
        """From top to bottom; the shortest gap is seen."""
        left, wide = self.x(begin), max(self.x(end) - self.x(begin), LEAST_SHADE)
        top, bottom = self.y(self.top), self.y(self.low)
        self.parts.append(
            f'<rect x="{left:.1f}" y="{top:.1f}" width="{wide:.1f}" height="{bottom - top:.1f}" fill="{SHADE}"/>'
        )

    def axes(self, across: Column, up: Column, texts: Texts) -> None:
        """Grid and figures of both, in units that need few zeros."""
        scale, unit = (1e3, f"m{up.unit}") if self.top < 0.5 and up.unit else (1.0, up.unit)
        for value, digits in ticks(self.low * scale, self.top * scale, 5):
            y = self.y(value / scale)
            self.parts.append(
                f'<line x1="{WIDE.left:.1f}" y1="{y:.1f}" x2="{WIDE.width - WIDE.right:.1f}" y2="{y:.1f}" '
                f'stroke="{GRID}" stroke-width="0.6"/>'
            )
            self.text(WIDE.left - 3, y + 3, texts.number(value, digits), "end")
        for value, digits in ticks(self.from_x, self.to_x, 6):
            self.text(self.x(value), WIDE.height - WIDE.below + 11, texts.number(value, digits), "middle", GREY)
        self.text(
            2, 9, f"{texts.said_of_run(up.title)}, {unit}" if unit else texts.said_of_run(up.title), "start", CURRENT
        )
        words = f"{texts.said_of_run(across.title)}, {across.unit}" if across.unit else texts.said_of_run(across.title)
        self.text(float(np.mean((WIDE.left, WIDE.width - WIDE.right))), WIDE.height - 4, words, "middle")

    def svg(self, alt: str) -> str:
        w, h = WIDE.width, WIDE.height
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {w:g} {h:g}" width="{w:g}" height="{h:g}" '
            f'role="img" font-family="{FONT}" font-size="{WIDE.letters:g}"><title>{escape(alt)}</title>'
            f'<rect width="{w:g}" height="{h:g}" fill="#ffffff"/>{"".join(self.parts)}</svg>'
        )
