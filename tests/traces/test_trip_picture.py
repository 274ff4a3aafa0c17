"""Picture, words and report of a trip: units, moments, uncertainties, and nothing that needs another file."""

from __future__ import annotations

import re
import struct
import xml.etree.ElementTree as ET
from html import escape
from html.parser import HTMLParser

import msgspec
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.guard.wire import Tripped
from benchd.reading import Flag, Mode, Reading, pack
from benchd.traces.cautions import BATTERY
from benchd.traces.trace import Conditions
from benchd.traces.trip_picture import marks_ms, picture, window_ms
from benchd.traces.trip_record import trip_figures
from benchd.traces.trip_report import report
from benchd.traces.trip_words import ADVICE, advice, figure_rows, for_customer, quantity

T0, MS = 1_767_323_045_000_000_000, 1_000_000
ACCURACY = Conditions(resolution_a=0.001, accuracy_fraction_a=0.001, accuracy_offset_a=0.005,
                      accuracy_fraction_v=0.0005, accuracy_offset_v=0.005)  # fmt: skip


def a_short(step_ms: float = 5.0, confirmed: bool = True, rule: str = "short") -> Tripped:
    """Good at 4 V, 0.2 A; then 0.3 V at the limit of 2 A from 20 ms before the decision."""
    before = [
        Reading(T0 + round((n + 1 - 60) * step_ms * MS), *((0.3, 2.0, Mode.CC) if n >= 56 else (4.0, 0.2, Mode.CV)),
                Flag.NONE, 400_000)
        for n in range(60)
    ]  # fmt: skip
    after = [Reading(T0 + round(2.0 * MS), 0.0, 0.0, Mode.OFF, Flag.NONE, 400_000)]
    return Tripped(
        supply="psu", channel=1, rule=rule, text="0.3 V at the limit of 2 A <&> not rising",
        onset_ns=before[56].t_ns, detected_ns=T0, off_sent_ns=T0 + 40_000,
        off_confirmed_ns=T0 + 2 * MS if confirmed else None, set_voltage_v=4.0, limit_a=2.0,
        let_through_c=0.034, let_through_j=0.0102, let_through_a2s=0.068,
        before=pack("psu", 1, before), after=pack("psu", 1, after), stage="boot", on_ns=T0 - 10**9,
        since_on_c=0.2, since_on_j=0.7, since_on_a2s=0.1, budget_j=0.1,
    )  # fmt: skip


def words_of(svg: bytes) -> list[str]:
    return [text for text in (e.text for e in ET.fromstring(svg).iter("{http://www.w3.org/2000/svg}text")) if text]


def test_the_picture_names_units_settings_and_the_four_moments() -> None:
    told = words_of(picture(a_short(), "Trip 3: short", "svg"))
    for wanted in ("Trip 3: short", "voltage in V", "current in A", "time in ms, from the reading that decided",
                   "set 4 V", "limit 2 A", "detected +0.00 ms", "off sent +0.04 ms", "off confirmed +2.00 ms",
                   "onset \N{MINUS SIGN}15.00 ms"):  # fmt: skip
        assert wanted in told, told


def test_names_stand_in_their_place() -> None:
    """From the top: the moments, the set voltage, the limit, the time."""
    svg = ET.fromstring(picture(a_short(), "x", "svg"))
    texts = svg.iter("{http://www.w3.org/2000/svg}text")
    y = {e.text: float(e.get("y", "nan")) for e in texts}
    names = ["off confirmed +2.00 ms", "onset \N{MINUS SIGN}15.00 ms", "set 4 V", "limit 2 A",
             "time in ms, from the reading that decided"]  # fmt: skip
    assert sorted(names, key=lambda name: y[name]) == names


def test_a_trip_that_was_not_confirmed_off_says_so_in_the_picture() -> None:
    assert "off confirmed: never" in words_of(picture(a_short(confirmed=False), "x", "svg"))


def test_the_same_trip_gives_the_same_picture() -> None:
    assert picture(a_short(), "x", "svg") == picture(a_short(), "x", "svg")


def test_a_png_is_a_png_of_the_size_it_is_drawn_for() -> None:
    """PNG 1.2 (RFC 2083): the signature, then IHDR with width and height as big-endian 32-bit numbers at byte 16."""
    found = picture(a_short(), "x", "png")
    assert found[:8] == b"\x89PNG\r\n\x1a\n"
    assert struct.unpack(">II", found[16:24]) == (1200, 750)


def test_moments_count_from_the_decision() -> None:
    assert marks_ms(a_short()) == {
        "onset": -15.0, "detected": 0.0, "off sent": pytest.approx(0.04), "off confirmed": 2.0,
    }  # fmt: skip


@pytest.mark.parametrize("step_ms", [1.0, 5.0, 200.0])
def test_what_happened_is_shown_with_readings_around_it_at_any_pace(step_ms: float) -> None:
    trip = a_short(step_ms)
    marks = marks_ms(trip)
    t_ms = (np.frombuffer(trip.before.t_ns, np.int64) - T0) / MS
    first, last = window_ms(t_ms, marks)
    inside = [at for at in marks.values() if at is not None]
    assert first < min(inside)
    assert max(inside) < last
    assert 5 <= np.count_nonzero((t_ms >= first) & (t_ms <= last)) <= 60
    assert max(inside) - min(inside) > (last - first) / 20


def test_a_trip_without_readings_is_drawn_all_the_same() -> None:
    bare = msgspec.structs.replace(a_short(), before=pack("psu", 1, []), after=pack("psu", 1, []), set_voltage_v=0.0)
    assert b"<svg" in picture(bare, "x", "svg")


def test_readings_that_are_no_number_leave_a_gap() -> None:
    odd = pack("psu", 1, [Reading(T0 - n * MS, float("nan"), float("nan"), Mode.CC, Flag.NONE, 1) for n in (2, 1, 0)])
    assert b"<svg" in picture(msgspec.structs.replace(a_short(), before=odd), "x", "svg")


@pytest.mark.parametrize(
    ("value", "unit", "u", "text"),
    [
        # JCGM 100:2008 §7.2.2 gives m = 100.021 47 g with u = 0.35 mg as 100.021 47 g, 0.000 35 g: two digits of u.
        (100.02147, "g", 0.00035, "100.02147 ± 0.00035 g"),
        (0.0102, "J", 0.00012, "10.20 ± 0.12 mJ"),
        (0.0102, "J", None, "10.2 mJ"),
        (0.0000102, "C", None, "10.2 µC"),
        (0.068, "A²s", 0.0012, "0.0680 ± 0.0012 A²s"),
        (0.0, "J", None, "0 J"),
        (2.0, "J", 30.0, "2 ± 30 J"),
        (0.000928, "J", 0.000271, "930 ± 270 µJ"),
        (0.000004, "J", 0.000271, "0 ± 270 µJ"),
        (None, "J", None, "not known"),
        (float("inf"), "J", None, "not known"),
    ],
)
def test_figures_are_rounded_as_they_are_known(value: float | None, unit: str, u: float | None, text: str) -> None:
    assert quantity(value, unit, u) == text


@given(st.floats(1e-9, 1e6), st.floats(1e-9, 1e6))
def test_a_rounded_figure_is_within_its_last_digit(value: float, u: float) -> None:
    text = quantity(value, "J", u)
    number, _, spread, unit = text.split(" ")
    scale = {"J": 1.0, "mJ": 1e-3, "µJ": 1e-6}[unit]
    assert float(number) * scale == pytest.approx(value, abs=0.06 * u)
    assert float(spread) * scale == pytest.approx(u, rel=0.06)


def test_the_rows_carry_uncertainty_bound_and_budget() -> None:
    rows = dict(figure_rows(trip_figures(a_short(), ACCURACY)))
    assert rows["Rule"] == "short (stage boot)"
    assert re.fullmatch(r"1[01](\.\d+)? ± [\d.]+ mJ \(k = 2\); at most [\d.]+ mJ, .*", rows["Energy let through"])
    assert rows["Budget"] == "100 mJ into a fault; 10% of it was let through"
    assert rows["Off"] == "confirmed 1.96 ms after it was sent"
    assert "±" not in dict(figure_rows(trip_figures(a_short())))["Energy let through"]


def test_an_output_that_was_not_confirmed_off_is_never_called_off() -> None:
    figures = trip_figures(a_short(confirmed=False))
    assert "NOT CONFIRMED" in dict(figure_rows(figures))["Off"]
    told = " ".join(for_customer(figures))
    assert "did not confirm" in told
    assert "how long power stayed on is not known" in told
    page = report("Trip 1", [], figures, b"<svg></svg>", [])
    assert "could not be confirmed off" in page
    assert "confirmed to be off" not in page


@pytest.mark.parametrize("rule", [*ADVICE, "some-later-rule"])
def test_each_rule_has_words_for_people(rule: str) -> None:
    assert advice(rule).customer.endswith(".")
    assert advice(rule).checks
    figures = trip_figures(a_short(rule=rule))
    assert advice(rule).customer in for_customer(figures)


class Page(HTMLParser):
    """Tags that must be closed, in order; and what a page would fetch."""

    VOID = frozenset({"meta", "br", "img", "link"})

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.fetched: list[str] = []
        self.words: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in self.VOID:
            self.open.append(tag)
        # xlink:href="#id" and clip-path stay inside of the page.
        self.fetched += [v for k, v in attrs if k in {"src", "href", "xlink:href"} and v and not v.startswith("#")]

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words.append(data)


def test_the_report_is_one_page_that_needs_nothing_else() -> None:
    trip = a_short()
    text = report("Trip 3: short", [("job", "R-1<i>"), ("board", "")], trip_figures(trip, ACCURACY),
                  picture(trip, "Trip 3: short", "svg"), ["Mind the battery."])  # fmt: skip
    page = Page()
    page.feed(text)
    assert page.open == []
    assert page.fetched == []
    assert "url(http" not in text
    assert "@import" not in text
    assert "<?xml" not in text
    said = "".join(page.words)
    for wanted in ("job R-1<i>", "For the customer", "For the next technician", "Mind the battery.", "± ",
                   "0.3 V at the limit of 2 A <&> not rising", "voltage in V", ADVICE["short"].checks[0]):  # fmt: skip
        assert wanted in said
    assert "board" not in "".join(page.words[:12])
    assert not re.search(r"\d [µm]?J", " ".join(for_customer(trip_figures(trip, ACCURACY)))), "the table has it"


def test_no_caution_stands_there_twice() -> None:
    figures = trip_figures(a_short(rule="over-voltage"))
    battery = escape(BATTERY)
    text = report("Trip", [], figures, b"<svg></svg>", ["Mind the battery.", "Heat.", "Heat."])
    assert (text.count("Heat."), text.count("Mind the battery."), text.count(battery)) == (1, 1, 0)
    assert battery in report("Trip", [], figures, b"<svg></svg>", [])
