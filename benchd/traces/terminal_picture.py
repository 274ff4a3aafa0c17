"""A picture of traces as text for a terminal: the same scene as in a file, in letters. Pure but for plotext."""

from __future__ import annotations

import dataclasses
import math
import textwrap
from typing import TYPE_CHECKING, Any

import numpy as np

from benchd.traces.line import Floats
from benchd.traces.picture import Axis, Scene, current_axis, names, voltage_axis
from benchd.traces.picture_look import LETTER_PT, rows_of

if TYPE_CHECKING:
    from collections.abc import Iterator

LEAST_WIDTH, MOST_WIDTH = 50, 200
"""Narrower there is no picture, and wider it is no better, letters."""
COLUMNS = 400
"""Time is cut into so many spans for the widest: two columns of dots in a letter."""
CURRENT_ROWS, VOLTAGE_ROWS = 19, 9
"""Height of each plot with its frame, rows."""
LEAST_CURRENT_ROWS, LEAST_VOLTAGE_ROWS = 10, 7
"""Lower, and a plot shows nothing."""
NAME_ROWS = 2
"""So many rows of the upper plot are free for names of moments; all of them stand below it as well."""
ROOM = 0.1
"""Share of an axis that is left free above for these names, beyond what is free in any picture."""
TICKS = 6
TICK_LETTERS = 5
COLOURS = (208, 33, 170, 142, 38, 131, 99, 244)
"""Of the first trace, the second, …, out of a terminal's 256: like those of pictures in files, readable on black and
on white."""
GREEN, GREY = 36, 244
SIGNS = "*+ox#%&="
"""Of the first trace, the second, …; the first has dots of braille where there are any."""
HERE, GOOD = "X", "O"
"""Where the other or the band is left: this trace, and what it leaves."""
PLAIN = str.maketrans({
    **dict.fromkeys("─┈", "-"), **dict.fromkeys("│┊", "|"), **dict.fromkeys("┌┐└┘├┤┬┴┼", "+"),
    "·": ";", "±": "+-", "µ": "u", "Ω": "Ohm", "\N{MINUS SIGN}": "-", "²": "2", "…": "...",
})  # fmt: skip
"""What becomes of letters that ASCII has not."""


@dataclasses.dataclass(frozen=True, slots=True)
class Look:
    """What the terminal can show."""

    width: int = 80
    colour: bool = False
    unicode: bool = False
    rows: int | None = None
    """How high it may be; None: as high as it likes."""


def terminal_picture(scene: Scene, look: Look) -> str:
    """The picture as lines of at most `look.width` letters, but for colours; no line break at the end.

    It fits in `look.rows`: plots get lower, then the voltage is left out, and says so. Words are never left out: where
    they alone fill the terminal, it scrolls.
    """
    width = min(max(look.width, LEAST_WIDTH), MOST_WIDTH)
    head = [*_wrapped([scene.title, scene.says], look, width), ""]
    foot = [f"time in s, from {scene.zero}", *_wrapped(_legend(scene, look), look, width)]
    current_rows, voltage_rows = _heights(None if look.rows is None else look.rows - len(head) - len(foot))
    lines = head
    for axis, rows in ((current_axis(scene), current_rows), (voltage_axis(scene), voltage_rows)):
        if not rows:
            lines.append(f"({axis.label}: no room in {look.rows} rows; --to FILE.png shows it)")
            continue
        lines += [axis.label, *(_plain(row, look) for row in _plot(scene, axis, look, (width, rows)))]
    return "\n".join(line.rstrip() for line in [*lines, *foot])


def _heights(rows: int | None) -> tuple[int, int]:
    """How high the plots of current and voltage are, where both with a label each may have so many rows; 0: left
    out."""
    if rows is None or rows >= CURRENT_ROWS + VOLTAGE_ROWS + 2:
        return CURRENT_ROWS, VOLTAGE_ROWS
    if rows - 2 >= LEAST_CURRENT_ROWS + LEAST_VOLTAGE_ROWS:
        voltage = max((rows - 2) // 3, LEAST_VOLTAGE_ROWS)
        return rows - 2 - voltage, voltage
    return min(max(rows - 2, LEAST_CURRENT_ROWS), CURRENT_ROWS), 0


def _wrapped(texts: list[str], look: Look, width: int) -> list[str]:
    return [line for t in texts for line in textwrap.wrap(_plain(t, look), width, subsequent_indent="  ")]


def _plain(text: str, look: Look) -> str:
    return text if look.unicode else text.translate(PLAIN).encode("ascii", "replace").decode()


def _plot(scene: Scene, axis: Axis, look: Look, size: tuple[int, int]) -> list[str]:
    """One plot with its frame, row by row."""
    import plotext

    # The library has one figure for all, sized by the terminal that it finds.
    plotext.terminal.limit(False, False)
    figure = plotext.figure
    figure.clear()
    figure.theme("simple" if look.colour else "colorless")
    figure.plot_size(*size)
    current = axis.label.startswith("current")
    axis = dataclasses.replace(axis, top=axis.top + ROOM * (axis.top - axis.low))
    first, last = scene.window_s
    for value, _ in axis.settings:
        _draw(figure, np.array([first, last]), np.full(2, value), "┈", GREY)
    for m in scene.moments:
        _draw(figure, np.full(2, m.at_s), np.array([axis.low, axis.top]), "┊", GREY)
    if current and scene.band is not None:
        for edge in (scene.band.low_a, scene.band.high_a):
            _draw(figure, scene.band.t_s, edge * axis.scale, "·" if look.unicode else ".", GREEN, lines=False)
    for n, curve in reversed(list(enumerate(scene.curves))):
        values = curve.current_a * axis.scale if current else curve.voltage_v
        _draw(figure, curve.t_s, values, _sign(n, look), COLOURS[n])
    if current and (d := scene.divergence) is not None:
        for value, sign, colour in ((d.reference_a, GOOD, GREEN), (d.current_a, HERE, COLOURS[0])):
            _write(figure, d.at_s, value * axis.scale, sign, colour)
    _rulers(figure, axis, scene.window_s)
    _words(figure, scene, axis, size)
    text: str = figure.build().string(not look.colour)
    return text.rstrip("\n").split("\n")


def _draw(figure: Any, t_s: Floats, values: Floats, sign: str, colour: int, lines: bool = True) -> None:
    """A curve; broken where there is no number."""
    import plotext

    for part in _parts(np.isfinite(t_s) & np.isfinite(values)):
        marker = plotext.marker(sign, plotext.pixel(colour))
        signal = figure.signal(t_s[part].tolist(), values[part].tolist(), marker=marker)
        figure.draw(signal.lines(lines))


def _write(figure: Any, t_s: float, value: float, words: str, colour: int, side: str = "left") -> None:
    """Words at a place; from there on, or `right`: up to there."""
    import plotext

    # Plain text would get a colour of its own, as if it were a curve.
    coloured = plotext.colorize(words, plotext.pixel(colour))
    figure.draw(figure.text(t_s, value, coloured, alignment=side))


def _parts(whole: np.ndarray[Any, np.dtype[np.bool_]]) -> Iterator[slice]:
    """Runs of true values."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], whole.astype(np.int8), [0]])))
    for first, last in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        yield slice(first, last)


def _words(figure: Any, scene: Scene, axis: Axis, size: tuple[int, int]) -> None:
    """Names of settings at the left, of moments at the top of the currents as far as there is room."""
    first, last = scene.window_s
    row = (axis.top - axis.low) / (size[1] - 3)
    for value, words in axis.settings:
        _write(figure, first, value + row, words, GREY)
    if not axis.label.startswith("current"):
        return
    if axis.beyond:
        _write(figure, first, axis.top - NAME_ROWS * row, axis.beyond, GREY)
    letters = size[0] - TICK_LETTERS - 2
    for name, at_row, right in rows_of(names(scene), (first, last), letters * LETTER_PT):
        at = (name.at - first) / (last - first) * letters
        fits = len(name.text) < (at if right else letters - at)
        if at_row < NAME_ROWS and fits:
            words = f"{name.text} " if right else f" {name.text}"
            _write(figure, name.at, axis.top - at_row * row, words, GREY, "right" if right else "left")


def _legend(scene: Scene, look: Look) -> list[str]:
    """What the picture's signs are, and every moment and phase in figures."""
    told = []
    if len(scene.curves) > 1 or scene.band is not None:
        told += [f"{_key(n, look)} {curve.name}" for n, curve in enumerate(scene.curves)]
    if scene.band is not None:
        told.append(f"{'·' if look.unicode else '.'} edges of where a good board would lie (k = 2), from "
                    f"{len(scene.band.curves)} reference{'s' if len(scene.band.curves) > 1 else ''}")  # fmt: skip
    if scene.divergence is not None:
        told.append(f"{HERE} here and {GOOD} there: {scene.divergence.text}")
    if scene.moments:
        told.append("marks: " + " · ".join(name.text for name in names(scene)))
    if scene.phases:
        told.append("phases: " + " · ".join(f"{p.name} {p.from_s:.2f} to {p.to_s:.2f} s" for p in scene.phases))
    return told


def _sign(n: int, look: Look) -> str:
    """What a curve is drawn with: the first with fine dots, the others with signs that need no colours."""
    return "braille" if look.unicode and n == 0 else SIGNS[n]


def _key(n: int, look: Look) -> str:
    """The same in the legend."""
    sign = _sign(n, look).replace("braille", "⣿")
    return f"\x1b[38;5;{COLOURS[n]}m{sign}\x1b[0m" if look.colour else sign


def _rulers(figure: Any, axis: Axis, window: tuple[float, float]) -> None:
    for name, (low, top), count in (("x", window, TICKS), ("y", (axis.low, axis.top), TICKS - 1)):
        at = ticks(low, top, count)
        ruler = figure.ruler(name)
        ruler.lim(low, top)
        # Both plots are to stand under each other.
        ruler.ticks(at, [f"{t:g}".rjust(TICK_LETTERS if name == "y" else 1) for t in at])


def ticks(low: float, top: float, count: int) -> list[float]:
    """Round values from low to top, at most `count` + 1 of them: steps of 1, 2 or 5 times a power of ten."""
    least = (top - low) / count
    power = 10.0 ** math.floor(math.log10(least))
    step = next(power * k for k in (1, 2, 5, 10) if power * k >= least * (1 - 1e-9))
    return [round(k * step, 12) for k in range(math.ceil(low / step - 1e-9), math.floor(top / step + 1e-9) + 1)]
