"""What all pictures share: ranges, colours, names of moments, and how a file is made of them.

Colours are of the set by Okabe and Ito (2008), which the colour-blind tell apart, with a dark red for an eighth;
line styles differ as well.
"""

from __future__ import annotations

import contextlib
import dataclasses
import io
import warnings
from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Kind = Literal["svg", "png"]

VOLTAGE, CURRENT, GREY, INK = "#0072B2", "#D55E00", "#555555", "#1b1b1b"
ORANGE, PURPLE, GREEN, SKY, BLACK, WINE = "#E69F00", "#CC79A7", "#009E73", "#56B4E9", "#000000", "#661100"
DPI = 150
SMALL_PT = 8
ROW_PT = 11
"""Height of a row of names."""
LETTER_PT = 0.6 * SMALL_PT
"""Width of a letter on the average, with room for other fonts: text in an SVG is set by the viewer's own."""


@dataclasses.dataclass(frozen=True, slots=True)
class Named:
    """A name above the picture, at `at` on its time axis."""

    text: str
    at: float


@contextlib.contextmanager
def our_look() -> Iterator[None]:
    """Draw and save within this. Text stays text, so that it can be searched and read out; ids are made of the salt
    and not of the time, so the same picture gives the same file."""
    import matplotlib as mpl

    # A board may be called $5: text is text, and no formula.
    settings: Any = {"svg.fonttype": "none", "svg.hashsalt": "benchd", "font.family": "sans-serif"}
    settings["text.parse_math"] = False
    with mpl.rc_context(settings), warnings.catch_warnings():
        # A board may be called in letters that the font has not: there are boxes in a PNG then, and that is all.
        warnings.filterwarnings("ignore", "Glyph .* missing", UserWarning)
        yield


def saved(figure: Figure, kind: Kind) -> bytes:
    """The figure as a file's content."""
    file = io.BytesIO()
    metadata: dict[str, Any] = {"Date": None} if kind == "svg" else {}
    figure.savefig(file, format=kind, dpi=DPI, metadata=metadata)
    return file.getvalue()


def span(values: Iterable[NDArray[np.float64]], settings: Sequence[float]) -> tuple[float, float]:
    """Range of an axis that has 0, all values and all settings in it, with room above for words."""
    finite = [float(x) for v in values for w in [v[np.isfinite(v)]] if len(w) for x in (w.min(), w.max())]
    low, top = min([0.0, *finite]), max([0.0, *settings, *finite])
    return low - 0.05 * (top - low), top + 0.15 * (top - low) if top > low else 1.0


def value_axis(axes: Axes, label: str, low: float, top: float) -> None:
    """Range, name and grid of an axis of values."""
    axes.set_ylim(low, top)
    axes.set_ylabel(label)
    axes.grid(color="#dddddd", linewidth=0.6)


def setting_line(axes: Axes, value: float, words: str) -> None:
    """A setting as a dashed line with its name."""
    axes.axhline(value, color=GREY, linestyle="--", linewidth=1)
    axes.annotate(
        words, (0.0, value), (4, 3), ("axes fraction", "data"), "offset points",
        va="bottom", fontsize=SMALL_PT, color=GREY,
    )  # fmt: skip


def name_above(axes: Axes, names: Sequence[Named], window: tuple[float, float]) -> None:
    """Names above the axes, in rows from below, so that none stands on another: moments may be some µs apart."""
    for name, row, right in rows_of(names, window, _width_pt(axes)):
        axes.annotate(
            name.text, (_share(name.at, window), 1.0), (-2 if right else 2, 4 + ROW_PT * row), "axes fraction",
            "offset points", ha="right" if right else "left", fontsize=SMALL_PT, color=INK, annotation_clip=False,
        )  # fmt: skip


def rows_of(names: Sequence[Named], window: tuple[float, float], width_pt: float) -> list[tuple[Named, int, bool]]:
    """Each name with its row, and whether it stands left of its moment; names near the right edge do."""
    taken: list[list[tuple[float, float]]] = []
    placed = []
    for name in names:
        at, length = _share(name.at, window) * width_pt, len(name.text) * LETTER_PT
        right = at + length > width_pt and at > width_pt / 2
        span = (at - length - 4, at + 2) if right else (at - 2, at + length + 4)
        row = next(
            (n for n, used in enumerate(taken) if all(b <= span[0] or span[1] <= a for a, b in used)), len(taken)
        )
        taken += [[] for _ in range(row + 1 - len(taken))]
        taken[row].append(span)
        placed.append((name, row, right))
    return placed


def amperes(value: float) -> str:
    """A current with its unit, to three digits."""
    return f"{value * 1e3:.3g} mA" if abs(value) < 0.1 else f"{value:.3g} A"


def _share(at: float, window: tuple[float, float]) -> float:
    return min(max((at - window[0]) / (window[1] - window[0]), 0.0), 1.0)


def _width_pt(axes: Axes) -> float:
    figure = axes.get_figure(root=True)
    assert figure is not None
    return float(axes.get_position().width * figure.get_size_inches()[0] * 72)
