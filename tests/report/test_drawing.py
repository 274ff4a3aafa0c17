"""Drawings: round figures on the axes, gaps without a line, and no spike that is lost."""

from __future__ import annotations

import math
import re

import numpy as np
from hypothesis import example, given, settings
from hypothesis import strategies as st

from benchd.report.drawing import SMALL, Frame, small, ticks
from benchd.report.texts import Texts
from benchd.traces.picture import Curve

POINTS = re.compile(r'<polyline points="([^"]*)"')


def drawn(t_s: list[float], amps: list[float]) -> list[list[tuple[float, float]]]:
    """The lines of a drawing, as points."""
    curve = Curve("c", np.array(t_s), np.zeros(len(t_s)), np.array(amps))
    svg = small(curve, Frame.of([curve]), Texts("en"), False, "alt <&>")
    assert "<title>alt &lt;&amp;&gt;</title>" in svg
    return [[(float(x), float(y)) for x, y in (p.split(",") for p in line.split())] for line in POINTS.findall(svg)]


@given(st.floats(-1e6, 1e6), st.floats(1e-6, 1e6), st.integers(2, 8))
@example(879609.9999999999, 1e-06, 6)
def test_figures_are_round_few_and_on_the_axis(low: float, span: float, most: int) -> None:
    top = low + span
    slack = span * 1e-6 + math.ulp(max(abs(low), abs(top)))
    found = ticks(low, top, most)
    assert len(found) <= most + 1
    for value, digits in found:
        assert low - slack <= value <= top + slack
        # As it is written it is what it stands at, to less than a thousandth of the axis.
        assert abs(float(f"{value:.{digits}f}") - value) <= span * 1e-3


def test_an_axis_without_a_length_has_no_figures() -> None:
    assert ticks(1.0, 1.0, 5) == ticks(2.0, 1.0, 5) == ticks(0.0, float("nan"), 5) == []


def test_a_gap_has_no_line() -> None:
    lines = drawn([0, 1, 1.5, 2, 3], [0.1, 0.2, float("nan"), 0.2, 0.1])
    assert [len(line) for line in lines] == [2, 2]


def test_a_trace_without_a_reading_is_an_empty_drawing() -> None:
    assert drawn([], []) == []


@settings(max_examples=50)
@given(st.lists(st.floats(0, 3), min_size=3, max_size=60))
def test_of_level_readings_the_ends_stay_and_every_height_is_drawn(amps: list[float]) -> None:
    lines = drawn([float(n) for n in range(len(amps))], amps)
    ys = {y for line in lines for _, y in line}
    frame = Frame.of([Curve("c", np.arange(len(amps), dtype=float), np.zeros(len(amps)), np.array(amps))])
    bottom, top = SMALL.height - SMALL.below, 14.0
    wanted = bottom - (np.array(amps) - frame.low_a) / (frame.top_a - frame.low_a) * (bottom - top)
    assert ys == {float(y) for y in np.round(wanted, 1)}
    assert lines[0][0][0] == SMALL.left
    assert lines[0][-1][0] == SMALL.width - SMALL.right
