"""The cycle test: shares with their interval, distributions, the odd one out."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest

from benchd.plans.shelf import shipped
from benchd.procedures.cycles import analyse
from benchd.procedures.record import Happened
from benchd.procedures.taken import CannotTell, Taken, TraceSeen
from benchd.procedures.wilson import wilson


@given(st.integers(1, 2000), st.data())
def test_the_interval_of_a_share_is_that_of_scipy(of: int, data: st.DataObject) -> None:
    """scipy.stats.binomtest(...).proportion_ci(method="wilson")."""
    passed = data.draw(st.integers(0, of))
    expected = binomtest(passed, of).proportion_ci(0.95, "wilson")
    assert wilson(passed, of) == pytest.approx((expected.low, expected.high), abs=1e-9)


def test_the_interval_of_a_share_in_a_published_example() -> None:
    """R. G. Newcombe, Statistics in Medicine 17 (1998) 857, table I, score method without continuity correction:
    81 of 263, 15 of 148, 0 of 20 and 1 of 29 (from memory)."""
    for passed, of, low, high in ((81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611),
                                  (1, 29, 0.0061, 0.1718)):  # fmt: skip
        assert wilson(passed, of) == pytest.approx((low, high), abs=5e-5)


def taken(starts: list[tuple[str, float, float]], **parameters: float | str) -> Taken:
    """Starts as (signature, time to settle in s, highest current in A); an empty signature: it drew nothing."""
    made = [Happened(n, "step", "off", {"cycle": n + 1}) for n in range(len(starts))]
    traces = [
        TraceSeen(f"T{n + 1}", n, "main", signature, 0.9, boot_s, peak_a, 0.23, {"cycle": n + 1})
        for n, (signature, boot_s, peak_a) in enumerate(starts)
        if signature
    ]
    return Taken(shipped()["phone-cell"].plan, dict(parameters), {}, {}, happened=made, traces=traces)


def test_all_starts_alike_pass_and_none_stands_out() -> None:
    done = analyse(taken([("clean-boot", 6.0, 1.1)] * 20, least_share=0.8))
    assert done.outcome == "passed"
    assert done.results[0].value == 1.0
    assert done.results[0].low == pytest.approx(0.8389, abs=1e-4)
    assert "No start stands out" in next(row.text for row in done.results if row.name == "odd_one_out")


def test_too_few_starts_cannot_tell() -> None:
    done = analyse(taken([("clean-boot", 6.0, 1.1)] * 5, least_share=0.8))
    assert done.outcome == "unclear"
    assert "cannot be told" in done.text


def test_a_start_that_was_another_is_the_odd_one() -> None:
    done = analyse(taken([("clean-boot", 6.0, 1.1)] * 9 + [("boot-loop", 6.0, 1.1)]))
    assert done.outcome == "done"
    assert "start 10 was boot-loop (T10)" in done.text


def test_a_cycle_that_drew_nothing_counts_as_one_that_failed() -> None:
    done = analyse(taken([("clean-boot", 6.0, 1.1)] * 3 + [("", 0.0, 0.0)]))
    assert done.results[0].value == 0.75
    assert "start 4 drew nothing" in done.text


def test_a_slow_start_among_quick_ones_is_the_odd_one() -> None:
    starts = [("clean-boot", 6.0 + 0.05 * (n % 4), 1.1) for n in range(12)]
    starts[7] = ("clean-boot", 9.5, 1.1)
    done = analyse(taken(starts))
    assert "start 8 (T8): time to settle 9.5 s, far above" in done.text


def test_without_a_cycle_nothing_is_counted() -> None:
    with pytest.raises(CannotTell, match="no cycle"):
        analyse(taken([]))
