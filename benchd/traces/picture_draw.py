"""A picture of traces as a file: current above, voltage below, everything named. Pure but for matplotlib."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any

import numpy as np

from benchd.traces import picture_look as look
from benchd.traces.band import Band
from benchd.traces.phases import Phase, PhaseName
from benchd.traces.picture import Axis, Curve, Scene, current_axis, names, voltage_axis
from benchd.traces.picture_look import BLACK, CURRENT, GREEN, GREY, INK, ORANGE, PURPLE, SKY, VOLTAGE, WINE, Kind, Named
from benchd.traces.trace import Divergence

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Style = tuple[str, Any]
"""Colour, and line style as matplotlib takes it."""

LINES: tuple[Style, ...] = (
    (CURRENT, "-"), (VOLTAGE, "--"), (BLACK, "-."), (PURPLE, "-"),
    (ORANGE, "--"), (SKY, "-"), (GREY, ":"), (WINE, (0, (8, 2))),
)  # fmt: skip
"""Of the first trace, the second, …; green is the reference's."""
MOMENTS: dict[str, Style] = {
    "connected": (ORANGE, ":"), "button": (BLACK, "-"), "boot-end": (GREEN, "--"), "removed": (GREY, ":"),
    "tripped": (PURPLE, "-"), "off": (GREY, "-."),
}  # fmt: skip
TINTS: dict[PhaseName, str] = {
    "off": "#e9e9e9", "leak": "#fbf1d9", "boot": "#ffffff", "settled": "#e6eef7", "short": "#f9e1ec",
}  # fmt: skip
"""Behind a phase; its name tells it to those who see no colours."""

WIDTH_IN, LEFT, RIGHT = 8.0, 0.09, 0.97
CURVES_IN = 4.4
"""Height of both plots."""
LINE_IN = 0.19
"""Height of a line of text."""
LETTERS = 112
"""So many fit on a line across the picture."""
MOST_LINES = 3
MARKED_READINGS = 150
"""With no more readings than these each has a point: they show the pace."""


def picture(scene: Scene, kind: Kind) -> bytes:
    """The picture as a file's content. The same scene gives the same SVG."""
    with look.our_look():
        first, last = scene.window_s
        edge = 0.01 * (last - first)
        window = (first - edge, last + edge)
        named = names(scene)
        figure, upper, lower = _figure(scene, look.rows_of(named, window, WIDTH_IN * 72 * (RIGHT - LEFT)))
        _currents(upper, scene)
        _voltages(lower, scene)
        lower.set_xlim(*window)
        lower.set_xlabel(f"time in s, from {scene.zero}")
        for axes in (upper, lower):
            for m in scene.moments:
                colour, style = MOMENTS[m.kind]
                axes.axvline(m.at_s, color=colour, linestyle=style, linewidth=1.1)
            for phase in scene.phases:
                axes.axvspan(phase.from_s, phase.to_s, color=TINTS[phase.name], linewidth=0, zorder=0)
        for phase in scene.phases:
            _name_phase(upper, phase, window)
        look.name_above(upper, named, window)
        return look.saved(figure, kind)


def _figure(scene: Scene, placed: list[tuple[Named, int, bool]]) -> tuple[Figure, Axes, Axes]:
    """Both plots, with as much room above and below as the words need."""
    from matplotlib.figure import Figure

    says = textwrap.wrap(scene.says, LETTERS, max_lines=MOST_LINES, placeholder=" …")
    rows = 1 + max((row for _, row, _ in placed), default=-1)
    above = 0.42 + LINE_IN * len(says) + look.ROW_PT / 72 * rows
    below = 0.55 + LINE_IN * len(_keys(scene))
    height = above + CURVES_IN + below
    figure = Figure(figsize=(WIDTH_IN, height))
    upper, lower = figure.subplots(
        2, 1, sharex=True, height_ratios=(5, 3),
        gridspec_kw={"left": LEFT, "right": RIGHT, "top": 1 - above / height, "bottom": below / height, "hspace": 0.08},
    )  # fmt: skip
    figure.text(0.02, 1 - 0.1 / height, scene.title, fontsize=11, va="top", color=INK)
    for n, line in enumerate(says):
        figure.text(0.02, 1 - (0.33 + LINE_IN * n) / height, line, fontsize=9, va="top", color=INK)
    return figure, upper, lower


def _currents(axes: Axes, scene: Scene) -> None:
    axis = current_axis(scene)
    if scene.band is not None:
        _band(axes, scene.band, axis.scale)
    for n, curve in enumerate(scene.curves):
        _line(axes, curve, curve.current_a * axis.scale, LINES[n])
    if axis.beyond:
        axes.annotate(axis.beyond, (0.0, 1.0), (4, -22), "axes fraction", "offset points",
                      va="bottom", fontsize=look.SMALL_PT, color=GREY)  # fmt: skip
    if scene.divergence is not None:
        _divergence(axes, scene.divergence, axis.scale)
    _axis(axes, axis)
    if _keys(scene):
        _legend(axes, len(scene.curves))


def _voltages(axes: Axes, scene: Scene) -> None:
    alone = len(scene.curves) == 1
    for n, curve in enumerate(scene.curves):
        _line(axes, curve, curve.voltage_v, (VOLTAGE, "-") if alone else LINES[n])
    _axis(axes, voltage_axis(scene))


def _axis(axes: Axes, axis: Axis) -> None:
    for value, words in axis.settings:
        look.setting_line(axes, value, words)
    look.value_axis(axes, axis.label, axis.low, axis.top)


def _legend(axes: Axes, curves: int) -> None:
    """Below everything, the traces first."""
    figure = axes.get_figure(root=True)
    assert figure is not None
    handles, labels = axes.get_legend_handles_labels()
    figure.legend(
        handles[-curves:] + handles[:-curves], labels[-curves:] + labels[:-curves], loc="lower left",
        bbox_to_anchor=(LEFT - 0.01, 0.0), ncols=1, fontsize=look.SMALL_PT, frameon=False, handlelength=3.5,
        borderaxespad=0.2, labelspacing=0.35,
    )  # fmt: skip


def _line(axes: Axes, curve: Curve, values: np.ndarray[Any, np.dtype[np.float64]], style: Style) -> None:
    few = len(values) <= MARKED_READINGS
    axes.plot(
        curve.t_s, values, color=style[0], linestyle=style[1], linewidth=1.2 if few else 0.9, zorder=3,
        marker="o" if few else None, markersize=2.5,
        # A name may begin with _, which the library takes for one to hide.
        label=f" {curve.name}",
    )  # fmt: skip


def _band(axes: Axes, band: Band, scale: float) -> None:
    traces = f"{len(band.curves)} trace" + ("s" if len(band.curves) != 1 else "")
    axes.plot(band.t_s, band.mean_a * scale, color=GREEN, linewidth=1.2, zorder=2.5,
              label=f"reference, mean of {traces}")  # fmt: skip
    axes.fill_between(
        band.t_s, band.low_a * scale, band.high_a * scale, color=GREEN, alpha=0.25, linewidth=0, zorder=2,
        label="where a good board would lie (k = 2)",
    )  # fmt: skip


def _divergence(axes: Axes, divergence: Divergence, scale: float) -> None:
    """Both currents where they part, joined by a line."""
    at_s, pair = divergence.at_s, [divergence.current_a * scale, divergence.reference_a * scale]
    axes.plot([at_s] * 2, pair, color=BLACK, linewidth=1.4, zorder=4)
    for value, fill in zip(pair, (CURRENT, "white"), strict=True):
        axes.plot([at_s], [value], marker="o", markersize=6, markerfacecolor=fill, markeredgecolor=BLACK,
                  linestyle="none", zorder=5)  # fmt: skip


def _keys(scene: Scene) -> list[str]:
    """What the legend explains; nothing where one curve stands alone."""
    names = [c.name for c in scene.curves]
    return [*names, "mean", "band"] if scene.band is not None else names if len(names) > 1 else []


def _name_phase(axes: Axes, phase: Phase, window: tuple[float, float]) -> None:
    """Its name at the top, upright where it is narrow; none where there is no room for letters at all."""
    from_s, to_s = max(phase.from_s, window[0]), min(phase.to_s, window[1])
    room_pt = (to_s - from_s) / (window[1] - window[0]) * WIDTH_IN * 72 * (RIGHT - LEFT)
    if room_pt < look.SMALL_PT + 3:
        return
    upright = room_pt < len(phase.name) * look.LETTER_PT + 6
    axes.annotate(
        phase.name, ((from_s + to_s) / 2, 1.0), (0, -3), ("data", "axes fraction"), "offset points", ha="center",
        va="top", rotation=90 if upright else 0, fontsize=look.SMALL_PT, fontstyle="italic", color=GREY,
        bbox={"facecolor": TINTS[phase.name], "edgecolor": "none", "pad": 0.5},
    )  # fmt: skip
