"""A measured curve as a drawing that needs no other file: points with their uncertainty, the model that fits. Pure."""

from __future__ import annotations

from html import escape

import numpy as np

from benchd.procedures.record import Column, Curve
from benchd.report.drawing import FONT, GRID, WIDE, ticks
from benchd.report.texts import Texts
from benchd.traces.picture_look import CURRENT, GREY, INK, VOLTAGE

LEAST_POINTS = 2
MOST_MARKED = 120
"""Points of more are a line without marks."""


def chart(curve: Curve, texts: Texts, alt: str) -> str:
    """SVG of the second column over the first; empty where there is nothing to draw."""
    points = curve.points()
    if len(points) < LEAST_POINTS:
        return ""
    plot = _Chart([x for x, _, _ in points], [y for _, y, _ in points], [u for _, _, u in points])
    plot.axes(curve.columns[0], curve.columns[1], texts)
    plot.line([(x, y) for x, y, _ in points], CURRENT, 0.9)
    if len(points) <= MOST_MARKED:
        for x, y, u in points:
            plot.bar(x, y, u)
    pairs = zip(curve.columns[0].values, curve.fitted, strict=False)
    fitted = [(x, y) for x, y in pairs if x is not None and y is not None]
    if fitted:
        plot.line(fitted, VOLTAGE, 1.2, "5 2")
    return plot.svg(alt)


class _Chart:
    """Places of values, and the pieces so far."""

    def __init__(self, xs: list[float], ys: list[float], us: list[float]) -> None:
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
