"""The picture of a trip: voltage and current around it, the settings, the four moments. Pure but for matplotlib."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from benchd.guard.wire import Tripped
from benchd.traces import picture_look as look
from benchd.traces.picture_look import BLACK, CURRENT, GREEN, ORANGE, PURPLE, VOLTAGE, Kind, Named
from benchd.traces.trip_record import trip_samples

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MARKS = {"onset": ORANGE, "detected": PURPLE, "off sent": BLACK, "off confirmed": GREEN}
LEAST_AROUND_MS = 0.5
READINGS_AROUND = 12
"""So many readings are shown on both sides of what happened, at least: they show the pace."""


def marks_ms(trip: Tripped) -> dict[str, float | None]:
    """The four moments in ms after the decision; None: never."""
    sent_ns = trip.off_sent_ns if trip.off_sent else None
    moments = (trip.onset_ns, trip.detected_ns, sent_ns, trip.off_confirmed_ns)
    return {
        name: None if t_ns is None else (t_ns - trip.detected_ns) / 1e6
        for name, t_ns in zip(MARKS, moments, strict=True)
    }


def picture(trip: Tripped, title: str, kind: Kind) -> bytes:
    """The picture as a file's content. The same trip gives the same SVG."""
    from matplotlib.figure import Figure

    samples = trip_samples(trip)
    t_ms = (samples.t_ns - trip.detected_ns) / 1e6
    with look.our_look():
        figure = Figure(figsize=(8.0, 5.0))
        # Room above for the names of the moments, one row each.
        upper, lower = figure.subplots(
            2, 1, sharex=True, gridspec_kw={"left": 0.09, "right": 0.97, "top": 0.81, "bottom": 0.1, "hspace": 0.08}
        )
        figure.suptitle(title, fontsize=11, y=0.98)
        _curve(upper, t_ms, samples.voltage_v, VOLTAGE, "voltage in V", trip.set_voltage_v, "set {:g} V")
        _curve(lower, t_ms, samples.current_a, CURRENT, "current in A", trip.limit_a, "limit {:g} A")
        lower.set_xlabel("time in ms, from the reading that decided")
        marks = marks_ms(trip)
        first, last = window_ms(t_ms, marks)
        for axes in (upper, lower):
            _let_through(axes, marks, last)
        _name_marks(upper, marks, (first, last))
        lower.set_xlim(first, last)
        return look.saved(figure, kind)


def window_ms(t_ms: np.ndarray[Any, np.dtype[np.float64]], marks: dict[str, float | None]) -> tuple[float, float]:
    """What part of the readings is shown, ms: all that happened, and as much around it that it can be seen.

    A slow supply brings 40 s of readings with a trip of 200 ms; all of them would leave no room for it.
    """
    told = [at for at in marks.values() if at is not None]
    step = float(np.median(np.diff(t_ms))) if len(t_ms) > 1 else LEAST_AROUND_MS
    around = max(LEAST_AROUND_MS, READINGS_AROUND * step, max(told) - min(told))
    first, last = min(told) - around, max(told) + around
    if len(t_ms):
        edge = max(step, (max(told) - min(told)) * 0.1)  # room for a mark at the very end
        first = max(first, min(float(t_ms[0]), *told) - edge)
        last = min(last, max(float(t_ms[-1]), *told) + edge)
    return first, last


def _curve(
    axes: Axes,
    t_ms: np.ndarray[Any, np.dtype[np.float64]],
    values: np.ndarray[Any, np.dtype[np.float64]],
    colour: str,
    label: str,
    setting: float,
    words: str,
) -> None:
    axes.plot(t_ms, values, color=colour, linewidth=1.2, marker="o", markersize=2.5)
    settings = [setting] if setting > 0 else []  # 0: not known
    for value in settings:
        look.setting_line(axes, value, words.format(value))
    look.value_axis(axes, label, *look.span([values], settings))


def _let_through(axes: Axes, marks: dict[str, float | None], last_ms: float) -> None:
    """The lines, and what was let through between the first and the last of them as a band."""
    onset, end = marks["onset"], marks["off confirmed"]
    assert onset is not None
    axes.axvspan(onset, last_ms if end is None else end, color="#f0e442", alpha=0.25, linewidth=0)
    styles = dict(zip(MARKS, (":", "-.", "-", "--"), strict=True))
    for name, at in marks.items():
        if at is not None:
            axes.axvline(at, color=MARKS[name], linestyle=styles[name], linewidth=1.3)


def _name_marks(axes: Axes, marks: dict[str, float | None], window: tuple[float, float]) -> None:
    digits = 2 if window[1] - window[0] < 200 else 1
    names = [
        Named(f"{name}: never" if at is None else f"{name} {at:+.{digits}f} ms".replace("-", "\N{MINUS SIGN}"),
              window[1] if at is None else at)
        for name, at in marks.items()
    ]  # fmt: skip
    look.name_above(axes, names, window)
