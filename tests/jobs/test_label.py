"""The label of a job can be printed and scanned, whatever the job is called."""

from __future__ import annotations

from xml.etree import ElementTree

import pytest
import segno
from hypothesis import given
from hypothesis import strategies as st

from benchd.jobs.job import JOB_ID, Job
from benchd.jobs.label import HEIGHT_MM, WIDTH_MM, id_on_label, label_svg

SVG = "{http://www.w3.org/2000/svg}"
TEXT = st.text(st.characters(exclude_categories=["Cs", "Cc"]), max_size=120)


@given(st.from_regex(JOB_ID, fullmatch=True), TEXT)
def test_it_is_one_picture_with_the_words_as_words_inside_its_edges(id: str, device: str) -> None:
    label = ElementTree.fromstring(label_svg(Job(id, device), "2026-01-02"))
    assert {each.tag for each in label.iter()} == {SVG + name for name in ("svg", "title", "rect", "g", "path", "text")}
    words = label.findall(SVG + "text")
    assert (words[0].text, words[-1].text) == (id, "2026-01-02")
    shown = " ".join(str(each.text) for each in words[1:-1]).split()
    assert shown[-1:] == ["…"] or "".join(shown) == "".join(device.split())
    for each in words:
        # A letter of common faces is some 0.6 of its height wide (common practice, no source), a capital more.
        wide = 0.6 * float(each.attrib["font-size"]) * len(str(each.text))
        assert float(each.attrib["x"]) + float(each.get("textLength", wide)) <= WIDTH_MM
        assert float(each.attrib["y"]) < HEIGHT_MM


def test_wide_letters_are_pressed_together_rather_than_cut_off() -> None:
    label = ElementTree.fromstring(label_svg(Job("W" * 40, "MMMMMMMMM WWWWWWWWWWWWW"), "2026-01-02"))
    pressed = [each.get("textLength") for each in label.findall(SVG + "text")]
    assert pressed == ["31.5", None, "31.5", None]


def test_the_code_is_that_of_the_id_with_its_quiet_zone() -> None:
    label = ElementTree.fromstring(label_svg(Job("R-1042"), ""))
    path = label.find(f"{SVG}g/{SVG}path")
    assert path is not None
    modules = segno.make_qr("R-1042", error="m").symbol_size(border=4)[0]
    assert label.find(f"{SVG}g").attrib["transform"] == f"translate(1 1) scale({27 / modules:.5f})"  # type: ignore[union-attr]
    assert path.attrib["d"].startswith("M4 4.5h7")  # the upper left finder pattern, behind four modules of nothing


@pytest.mark.parametrize(("read", "id"), [
    ("R-1042", "R-1042"), (" R-1042\r\n", "R-1042"), ("]Q3R-1042", "R-1042"), ("]C1R-1042\t", "R-1042"),
    ("\x1bR-1042", "R-1042"), ("R 1042", None), ("", None), ("]Q3", None), ("https://bench.example/R-1042", None),
    ("R-1042" * 8, None),
])  # fmt: skip
def test_what_a_scanner_typed(read: str, id: str | None) -> None:
    assert id_on_label(read) == id
