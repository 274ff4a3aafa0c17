"""Pictures of traces: what is in them, where it stands, and that nothing is lost or covered."""

from __future__ import annotations

import dataclasses
import itertools
import struct
import time
import xml.etree.ElementTree as ET

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.reading import Mode
from benchd.traces.band import Band
from benchd.traces.picture import COLUMNS, Pictured, PictureError, Scene, gaps, scene
from benchd.traces.picture_draw import picture
from benchd.traces.picture_look import Named, amperes, rows_of
from benchd.traces.samples import Samples
from benchd.traces.terminal_picture import Look, terminal_picture
from benchd.traces.thin import PER_BUCKET
from benchd.traces.trace import Conditions, Divergence, Evidence, Finding, Mark, Trace

START_NS = 1_767_323_045_000_000_000
FINDING = Finding("clean-boot", 0.9, (Evidence("Busy for 5 s, then it settles."),), button_s=2.0)
LEAVES = Divergence(4.0, 0.2, 0.4, 0.03, 13.0, "Leaves the good one.")


def a_trace(
    rate: float = 50.0,
    seconds: float = 10.0,
    button_s: float | None = 2.0,
    limit_a: float = 1.0,
    start_ns: int = START_NS,
) -> Trace:
    """2 mA until 2 s, then 0.4 A, 0.2 A from 6 s on, ± 0.5 mA; off from 9 s on. Marked: button, boot end, off."""
    t_s = np.arange(round(seconds * rate)) / rate
    off = t_s >= 9.0
    current = np.where(off, 0.0, np.where(t_s < 2.0, 0.002, np.where(t_s < 6.0, 0.4, 0.2)))
    current += np.where(off, 0.0, np.random.default_rng(7).uniform(-0.0005, 0.0005, len(t_s)))
    mode = np.where(off, Mode.OFF, Mode.CV).astype(np.uint8)
    samples = Samples(
        start_ns + np.rint(t_s * 1e9).astype(np.int64), np.where(off, 0.0, 4.0), current, mode, np.zeros_like(mode)
    )
    marks = [Mark("boot-end", start_ns + 6 * 10**9), Mark("off", start_ns + 9 * 10**9, "guard")]
    marks += [] if button_s is None else [Mark("button", start_ns + round(button_s * 1e9), "hand")]
    return Trace(samples, start_ns, Conditions(4.0, limit_a, board="b-1"), tuple(marks))


def with_current(trace: Trace, current: np.ndarray) -> Trace:
    return dataclasses.replace(trace, samples=dataclasses.replace(trace.samples, current_a=current))


def of(*traces: Trace, finding: Finding | None = None, **more: object) -> Scene:
    return scene("Trace t-1", [Pictured(f"t-{n}", t, finding) for n, t in enumerate(traces, 1)], **more)  # type: ignore[arg-type]


def a_band() -> Band:
    """Of three good boards, read at three rates."""
    return Band.of([a_trace(), a_trace(rate=20.0), a_trace(rate=200.0)])


def words_of(svg: bytes) -> dict[str, tuple[float, float]]:
    """Each text with its place from the left and from the top, pt."""
    found = {}
    for e in ET.fromstring(svg).iter("{http://www.w3.org/2000/svg}text"):
        moved = (e.get("transform") or "").partition("translate(")[2].partition(")")[0].split()
        at = (e.get("x") or moved[0], e.get("y") or moved[1])
        found["".join(e.itertext())] = (float(at[0]), float(at[1]))
    return found


def test_a_picture_names_units_marks_phases_settings_and_the_finding() -> None:
    told = words_of(picture(of(a_trace(), finding=FINDING), "svg"))
    for wanted in ("Trace t-1", "clean-boot (90%): Busy for 5 s, then it settles.", "current in A", "voltage in V",
                   "time in s, from the trace's start", "limit 1 A", "set 4 V", "button (by hand) 2.00 s",
                   "boot end 6.00 s", "off 9.00 s", "leak", "boot", "settled", "off"):  # fmt: skip
        assert wanted in told, sorted(told)


def test_a_reference_and_where_the_trace_leaves_it_are_named_with_both_currents() -> None:
    told = words_of(picture(of(a_trace(), finding=FINDING, band=a_band(), divergence=LEAVES), "svg"))
    for wanted in ("leaves the good one 4.00 s: 0.2 A, not 0.4 A", "reference, mean of 3 traces",
                   "where a good board would lie (k = 2)", "time in s, from the button",
                   "button (by hand) 0.00 s", "off 7.00 s"):  # fmt: skip
        assert wanted in told, sorted(told)


def test_the_band_is_as_fine_as_the_picture_and_goes_with_the_trace() -> None:
    """A button marked 0.1 s late is drawn at the rise of the references."""
    seen = of(a_trace(button_s=2.1), band=a_band())
    assert seen.moments[0].at_s == pytest.approx(0.1, abs=0.02)
    rise = seen.curves[0].t_s[np.argmax(seen.curves[0].current_a > 0.2)]
    assert rise == pytest.approx(0.0, abs=0.03)
    coarse = of(a_trace(), band=a_band(), columns=20).band
    assert coarse is not None
    assert len(coarse.mean_a) <= 22


def test_several_traces_stand_with_their_buttons_at_0_and_have_names() -> None:
    """At other rates, begun at other times; one marked later by hand; one in which nothing rises."""
    other = a_trace(rate=20.0, start_ns=START_NS + 10**12)
    late = dataclasses.replace(other, marks=(Mark("button", other.start_ns + 25 * 10**8, "hand"),))
    quiet = with_current(a_trace(button_s=None), np.full(500, 0.001))
    several = scene("x", [Pictured("a", a_trace()), Pictured("b", late, FINDING), Pictured("c", quiet)])
    a, b, c = several.curves
    assert [a.t_s[0], b.t_s[0], c.t_s[0]] == pytest.approx([-2.0, -2.5, 0.0], abs=0.05)
    assert (b.name, c.name) == ("b: clean-boot (90%)", "c (no button: from its start)")
    assert [(m.name, m.at_s) for m in several.moments] == [("button (by hand)", 0.0)]
    told = words_of(picture(several, "svg"))
    assert {f" {name}" for name in ("a", b.name, c.name)} <= set(told)


def test_no_band_is_laid_on_a_trace_without_a_button() -> None:
    quiet = with_current(a_trace(button_s=None), np.full(500, 0.001))
    seen = of(quiet, band=a_band())
    assert (seen.band, seen.zero) == (None, "the trace's start")
    assert seen.title == "Trace t-1 (no button, so that its references cannot be laid on it)"


def test_only_what_is_compared_is_moved_to_the_others_rise() -> None:
    """Both marked by hand, the first 0.1 s late; a third, in which a short follows 0.6 s after its button, is not."""
    late, other = a_trace(button_s=2.1), a_trace()
    pinned = with_current(other, np.where(np.arange(500) >= 130, 1.0, 0.002))
    a, b, c = of(late, pinned, other, divergence=LEAVES).curves
    assert [a.t_s[0], b.t_s[0], c.t_s[0]] == pytest.approx([-2.0, -2.0, -2.0], abs=0.02)


def test_the_same_scene_gives_the_same_file() -> None:
    assert picture(of(a_trace()), "svg") == picture(of(a_trace()), "svg")


def test_a_png_is_as_wide_as_it_is_drawn_for() -> None:
    """PNG 1.2 (RFC 2083): the signature, then IHDR with width and height as big-endian 32-bit numbers at byte 16."""
    found = picture(of(a_trace()), "png")
    assert found[:8] == b"\x89PNG\r\n\x1a\n"
    width, height = struct.unpack(">II", found[16:24])
    assert width == 1200
    assert 700 <= height <= 1200


def test_one_reading_in_a_million_is_in_the_picture_and_it_is_quick() -> None:
    trace = a_trace(rate=100_000.0)
    current = trace.samples.current_a.copy()
    current[777_777] = 0.9
    began = time.perf_counter()
    curve = of(with_current(trace, current)).curves[0]
    assert time.perf_counter() - began < 5.0  # some 0.5 s; machines are busy at times
    assert np.max(curve.current_a) == 0.9
    assert len(curve.t_s) <= COLUMNS * PER_BUCKET


def test_no_line_is_drawn_across_a_gap() -> None:
    trace = a_trace()
    there = (trace.samples.t_ns < START_NS + 3 * 10**9) | (trace.samples.t_ns >= START_NS + 5 * 10**9)
    s = trace.samples
    holed = Samples(s.t_ns[there], s.voltage_v[there], s.current_a[there], s.mode[there], s.flags[there])
    (curve,) = of(dataclasses.replace(trace, samples=holed)).curves
    missing = np.flatnonzero(np.isnan(curve.current_a))
    assert curve.t_s[missing].tolist() == [pytest.approx(3.99)]
    assert np.all(np.diff(curve.t_s) > 0)
    assert gaps(holed).tolist() == [START_NS + 2_980_000_000]
    assert len(gaps(trace.samples)) == 0


def test_phases_follow_each_other_from_the_first_reading_to_the_last() -> None:
    seen = of(a_trace(), band=a_band()).phases
    assert [p.name for p in seen] == ["leak", "boot", "settled", "off"]
    assert [p.from_s for p in seen[1:]] == [p.to_s for p in seen[:-1]]
    assert [seen[0].from_s, seen[1].from_s, seen[2].from_s, seen[-1].to_s] == pytest.approx([-2, 0, 4, 7.98], abs=0.5)


def test_a_trip_is_named_with_its_rule() -> None:
    tripped = Mark("tripped", START_NS + 8 * 10**9, "guard", "over-current")
    trace = a_trace()
    assert "tripped (over-current) 8.00 s" in words_of(
        picture(of(dataclasses.replace(trace, marks=(*trace.marks, tripped))), "svg")
    )


def test_a_limit_far_above_the_current_is_named_and_does_not_press_it_flat() -> None:
    told = words_of(picture(of(a_trace(limit_a=5.0)), "svg"))
    assert "limit 5 A: far above" in told
    assert "5.0" not in told
    assert "limit 0.7 A" in words_of(picture(of(a_trace(limit_a=0.7)), "svg"))


def test_small_currents_have_an_axis_in_ma() -> None:
    trace = a_trace()
    told = words_of(picture(of(with_current(trace, trace.samples.current_a / 10)), "svg"))
    assert "current in mA" in told


@pytest.mark.parametrize("readings", [0, 1, 2])
def test_next_to_nothing_is_drawn_all_the_same(readings: int) -> None:
    trace = a_trace()
    short = dataclasses.replace(trace, samples=trace.samples[:readings], marks=(), conditions=Conditions())
    assert "current in mA" in words_of(picture(of(short), "svg"))
    assert " t-1 (no button: from its start)" in words_of(picture(of(short, trace, band=a_band()), "svg"))


def test_readings_that_are_no_number_are_left_out() -> None:
    trace = a_trace()
    current = trace.samples.current_a.copy()
    current[::3], current[1::3] = np.nan, np.inf
    assert b"<svg" in picture(of(with_current(trace, current)), "svg")
    assert b"<svg" in picture(of(with_current(trace, np.full_like(current, np.nan))), "svg")


def test_more_traces_than_can_be_told_apart_are_refused() -> None:
    with pytest.raises(PictureError, match="9 traces asked for; 1 to 8 can be told apart in one picture"):
        of(*[a_trace()] * 9)
    with pytest.raises(PictureError, match="0 traces asked for"):
        of()


def test_names_are_text_and_nothing_else() -> None:
    """No formulas, no hidden names, nothing that controls a terminal or breaks a file; letters of any language."""
    odd = dataclasses.replace(a_trace(), conditions=Conditions(board="$\\frac{1}$ \x1b[31m\x00<b>&\n\u4e3b\u677f"))
    pair = [Pictured("_a$\x07.csv", odd), Pictured("b", a_trace())]
    told = words_of(picture(scene(pair[0].title, pair), "svg"))
    assert "_a$ .csv, board $\\frac{1}$ [31m <b>& \u4e3b\u677f" in told
    assert " _a$ .csv" in told
    assert picture(scene(pair[0].title, pair), "png").startswith(b"\x89PNG")
    assert "\x1b" not in terminal_picture(scene(pair[0].title, pair), Look(unicode=True))


@given(st.lists(st.tuples(st.text("abc ", min_size=1, max_size=50), st.floats(-1, 11)), max_size=8))
def test_no_name_stands_on_another(given_names: list[tuple[str, float]]) -> None:
    """By row: each name keeps its own width, 0.6 of its height a letter."""
    width_pt = 500.0
    names = [Named(text, at) for text, at in given_names]
    spans: dict[int, list[tuple[float, float]]] = {}
    for name, row, right in rows_of(names, (0.0, 10.0), width_pt):
        at, length = min(max(name.at / 10, 0), 1) * width_pt, len(name.text) * 8 * 0.6
        spans.setdefault(row, []).append((at - length, at) if right else (at, at + length))
        assert length > width_pt or at + length <= width_pt or right
    for row in spans.values():
        row.sort()
        assert all(a[1] < b[0] for a, b in itertools.pairwise(row))


def test_currents_are_told_to_three_digits() -> None:
    assert [amperes(a) for a in (0.06, 1.2345, 0.0, -0.0123, 0.1)] == ["60 mA", "1.23 A", "0 mA", "-12.3 mA", "0.1 A"]
