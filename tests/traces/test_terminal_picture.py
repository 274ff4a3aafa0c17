"""Pictures in letters: plain, in braille, in colour; of any trace, never wider than asked for."""

from __future__ import annotations

import dataclasses
import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.traces.terminal_picture import LEAST_WIDTH, SIGNS, Look, terminal_picture, ticks
from benchd.traces.trace import Conditions
from tests.traces.test_picture import FINDING, LEAVES, a_band, a_trace, of, with_current

PLAIN, DOTS, COLOUR = Look(80), Look(80, unicode=True), Look(80, colour=True, unicode=True)


def test_the_picture_names_units_marks_phases_settings_and_the_finding() -> None:
    text = terminal_picture(of(a_trace(), finding=FINDING), PLAIN)
    for wanted in ("Trace t-1", "clean-boot (90%): Busy for 5 s, then it settles.", "current in A", "voltage in V",
                   "time in s, from the trace's start", "limit 1 A", "set 4 V", "boot end 6.00 s",
                   "marks: button (by hand) 2.00 s ; boot end 6.00 s ; off 9.00 s", "phases: leak"):  # fmt: skip
        assert wanted in text, text


@pytest.mark.parametrize("look", [PLAIN, DOTS, COLOUR, Look(120, unicode=True), Look(20)])
def test_no_line_is_wider_than_asked_for_and_plain_means_plain(look: Look) -> None:
    text = terminal_picture(of(a_trace(), finding=FINDING, band=a_band(), divergence=LEAVES), look)
    bare = re.sub(r"\x1b\[[0-9;]*m", "", text)
    assert max(map(len, bare.splitlines())) <= max(look.width, LEAST_WIDTH)
    assert text.isascii() is not look.unicode
    assert (bare != text) is look.colour
    assert "\x1b[48" not in text, "the terminal keeps its own background"


def test_a_curve_stands_where_its_values_are() -> None:
    """0.4 A in the middle, 2 mA before: in the row of 0.4 and of 0, and nothing in the rows between."""
    text = terminal_picture(of(a_trace()), PLAIN)
    rows = text.split("current in A")[1].split("voltage in V")[0].splitlines()
    zero = next(row for row in rows if row.lstrip().startswith("0+"))
    assert zero[8:15] == "*******"
    high = [row for row in rows if "*" * 20 in row]
    assert len(high) == 2  # 0.4 A, 0.2 A
    assert rows.index(high[0]) < rows.index(high[1]) < rows.index(zero)


def test_one_spike_among_many_readings_is_there() -> None:
    trace = a_trace(rate=1000.0)
    current = np.where(np.arange(10_000) == 3333, 0.9, trace.samples.current_a)
    text = terminal_picture(of(with_current(trace, current)), PLAIN)
    without = terminal_picture(of(trace), PLAIN)
    assert text.count("*") > without.count("*")


def test_a_divergence_has_both_currents_and_the_band_its_edges() -> None:
    trace = a_trace()
    far = with_current(trace, trace.samples.current_a + 0.3)
    text = terminal_picture(of(far, band=a_band(), divergence=LEAVES), PLAIN)
    plot = text.split("voltage in V")[0]
    assert plot.count("X") == plot.count("O") == 1
    assert "X here and O there: Leaves the good one." in text
    assert ". edges of where a good board would lie (k = 2), from 3 references" in text
    assert plot.count(".") > 50


@pytest.mark.parametrize("look", [PLAIN, DOTS])
def test_several_traces_have_signs_of_their_own_without_colours(look: Look) -> None:
    several = of(*[with_current(a_trace(), np.full(500, 0.1 * k)) for k in range(1, 5)])
    text = terminal_picture(several, look)
    for n, sign in enumerate(SIGNS[:4], 1):
        if n > 1 or look is PLAIN:
            assert f"\n{sign} t-{n}" in text
            assert sign * 20 in text
        else:
            assert "\n⣿ t-1" in text


@pytest.mark.parametrize("readings", [0, 1, 2])
def test_next_to_nothing_is_drawn_all_the_same(readings: int) -> None:
    trace = a_trace()
    short = dataclasses.replace(trace, samples=trace.samples[:readings], marks=(), conditions=Conditions())
    for look in (PLAIN, COLOUR):
        assert "voltage in V" in terminal_picture(of(short), look)
    assert "voltage in V" in terminal_picture(of(with_current(trace, np.full(500, np.nan))), PLAIN)


@pytest.mark.parametrize("rows", [24, 30, 40, 60])
@pytest.mark.parametrize("look", [PLAIN, COLOUR])
def test_it_fits_the_rows_of_the_terminal(look: Look, rows: int) -> None:
    """24 rows with all that can be said: the voltage has no room, and says so."""
    scene = of(a_trace(), finding=FINDING, band=a_band(), divergence=LEAVES)
    lines = terminal_picture(scene, dataclasses.replace(look, rows=rows)).splitlines()
    assert len(lines) <= rows
    assert lines[0].startswith("Trace t-1")
    assert ("voltage in V" in lines) is (rows > 24)
    assert any(f"(voltage in V: no room in {rows} rows" in line for line in lines) is (rows == 24)
    assert "current in A" in lines
    if rows == 60:
        assert lines == terminal_picture(scene, look).splitlines()


def test_a_part_of_no_length_is_not_named() -> None:
    trace = a_trace()
    assert all(p.to_s > p.from_s for p in of(trace, finding=FINDING).phases)


@given(st.floats(-1e4, 1e4), st.floats(1e-3, 1e5), st.integers(2, 10))
def test_ticks_are_round_and_not_too_many(low: float, length: float, count: int) -> None:
    found = ticks(low, low + length, count)
    assert len(found) <= count + 1
    steps = np.diff(found)
    assert np.allclose(steps, steps[:1], rtol=1e-6)
    assert all(low - 1e-6 * length <= t <= low + length * (1 + 1e-6) for t in found)
    if len(steps):
        digits = f"{steps[0]:.6e}"[0]
        assert digits in "125"
