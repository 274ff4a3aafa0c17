"""The corpus itself, and how well a small part of its held-out half is read."""

from __future__ import annotations

import dataclasses
import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.corpus.cases import BOARDS, PORTS, held_out, make, sort_of
from tests.corpus.fit import AT, Stated, fit
from tests.corpus.report import PAGE, SLICE, fill
from tests.corpus.run import Result, run
from tests.corpus.score import confusion, forbidden, reliability, share, wilson


@pytest.fixture(scope="module")
def slice_results() -> list[Result]:
    return run(SLICE, workers=1)


@pytest.fixture(scope="module")
def page() -> str:
    return PAGE.read_text(encoding="utf-8")


def rows(page: str, part: str) -> list[list[str]]:
    """Cells of a generated table, without its head."""
    found = re.search(rf"<!-- {part} -->\n(.*?)<!-- /{part} -->", page, re.DOTALL)
    assert found
    return [[c.strip() for c in line.strip("|").split("|")] for line in found[1].splitlines()[2:]]


def test_a_case_is_always_the_same_and_no_other() -> None:
    one, again, other = make(4), make(4), make(5)
    assert np.array_equal(one.trace.samples.current_a, again.trace.samples.current_a)
    assert (one.truth, one.accept, one.reason, one.trace.marks) == (
        again.truth,
        again.accept,
        again.reason,
        again.trace.marks,
    )
    assert one.reason != other.reason


def test_every_sort_of_case_comes_up_in_both_halves() -> None:
    for half in (True, False):
        assert {sort_of(n) for n in range(1600) if held_out(n) is half} == {*BOARDS, *PORTS}


def test_what_was_made_is_always_right() -> None:
    assert all(case.truth in case.accept and case.reason for case in map(make, range(0, 24, 2)))


def test_readings_lie_on_the_steps_of_the_instrument() -> None:
    case = next(c for c in map(make, range(40)) if c.trace.conditions.resolution_a and len(c.trace.samples) > 30)
    steps = case.trace.samples.current_a / (case.trace.conditions.resolution_a or 1.0)
    assert np.allclose(steps, np.rint(steps), atol=1e-3)
    assert np.all(np.diff(case.trace.samples.t_ns) >= 0)


def test_no_short_of_the_slice_is_read_as_clean_and_no_clean_start_as_a_short(slice_results: list[Result]) -> None:
    assert not forbidden(slice_results)


def test_the_slice_is_read_as_well_as_it_is_published(slice_results: list[Result], page: str) -> None:
    """Within two cases: another numpy rounds its sums in another order."""
    found = re.search(r"the (\d+) cases that every run of the tests reads again: (\d+) right", page)
    assert found, "make the tables: python -m tests.corpus table"
    assert int(found[1]) == len(slice_results)
    wrong = [(r.number, r.truth, r.signature, r.reason) for r in slice_results if not r.right]
    assert abs(len(slice_results) - len(wrong) - int(found[2])) <= 2, f"make the tables anew; wrong now: {wrong}"
    assert share(slice_results) >= 0.9


@pytest.mark.parametrize(("name", "least"), [("20 /s and more", 0.97), ("5 to 8 /s", 0.90)])
def test_the_published_shares_reach_their_floors(page: str, name: str, least: float) -> None:
    row = next(r for r in rows(page, "shares") if r[0] == name)
    assert float(row[2].rstrip("%")) / 100 >= least
    assert int(row[5]) == 0


def test_published_confidences_are_what_they_say(page: str) -> None:
    """In each bin the mean of what was stated lies in the interval of what was right, or within 0.07 of its share."""
    table = rows(page, "reliability")
    assert table
    for bin_, _, mean, right, interval in table:
        low, high = (float(end) for end in interval.split(" to "))
        assert min(low, float(right) - 0.07) <= float(mean) <= max(high, float(right) + 0.07), bin_


def test_wilson_gives_the_textbook_interval() -> None:
    """8 of 10: 0.490 to 0.943 with z = 1.96 (computed from the formula of Wilson's paper by hand)."""
    assert wilson(8, 10) == pytest.approx((0.4902, 0.9433), abs=5e-4)
    assert wilson(0, 0) == (0.0, 1.0)


@given(st.lists(st.builds(Stated, st.booleans(), st.floats(0, 1), st.booleans()), max_size=60))
def test_a_fitted_map_never_falls_and_stays_between_0_and_1(stated: list[Stated]) -> None:
    fitted = fit(stated, 0.1)
    assert [raw for raw, _ in fitted] == list(AT)
    levels = [level for _, level in fitted]
    assert all(level <= raw + 0.1 + 1e-9 for raw, level in fitted)
    assert levels == sorted(levels)
    assert 0 <= levels[0] <= levels[-1] <= 1


def test_a_fit_of_what_is_always_right_is_surer_than_one_of_what_never_is() -> None:
    sure = fit([Stated(False, 0.9, True)] * 200, 0.0)
    unsure = fit([Stated(False, 0.9, False)] * 200, 0.0)
    assert dict(sure)[0.95] == 0.95
    assert dict(unsure)[0.95] < 0.3


def test_a_page_without_its_places_is_refused() -> None:
    assert fill("<!-- a -->\nold\n<!-- /a -->", {"a": "new"}) == "<!-- a -->\nnew\n<!-- /a -->"
    with pytest.raises(ValueError, match="expected one part between <!-- b -->"):
        fill("nothing", {"b": "new"})


def test_findings_that_name_nothing_are_in_no_bin() -> None:
    named = Result(0, "", "no-draw", frozenset({"no-draw", "usb-nothing"}), "", 50.0, "no-draw", 0.95)
    nothing = dataclasses.replace(named, signature="unclear", confidence=0.5)
    honest = dataclasses.replace(named, signature="usb-nothing")
    assert reliability([named, nothing, honest]) == [(0.9, 1.0, 2, 0.95, 0.5)]


def test_a_right_answer_that_is_not_the_one_made_is_told_apart_in_the_matrix() -> None:
    case = Result(0, "", "early-leak", frozenset({"early-leak", "unclear"}), "", 50.0, "unclear", 0.5)
    wrong = dataclasses.replace(case, signature="clean-boot")
    assert confusion([case, wrong]) == {("early-leak", "also right"): 1, ("early-leak", "clean-boot"): 1}
