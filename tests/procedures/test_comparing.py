"""A run against the run before it."""

from __future__ import annotations

from benchd.procedures.comparing import compared
from benchd.procedures.record import Result, Run


def run(*results: Result) -> Run:
    return Run("P1", "leak-curve", 1, "Leak curve", "R-1", 0, (), "phone-cell", {}, results=results)


def test_a_difference_beyond_both_uncertainties_is_told_as_one() -> None:
    before, now = Result("r", "Rail", 0.175, "Ω", 0.004), Result("r", "Rail", 9.1, "Ω", 0.2)
    assert compared(run(before), run(now)) == "Against the run before: Rail: 9.10 ± 0.20 Ω, was 175.0 ± 4.0 mΩ, higher."


def test_a_difference_within_the_uncertainties_is_none_that_can_be_told() -> None:
    before, now = Result("r", "Rail", 0.175, "Ω", 0.004), Result("r", "Rail", 0.171, "Ω", 0.004)
    assert "no difference that can be told" in compared(run(before), run(now))


def test_shares_are_compared_by_their_intervals() -> None:
    before = Result("p", "Starts that passed", 0.2, low=0.06, high=0.51)
    now = Result("p", "Starts that passed", 1.0, low=0.84, high=1.0)
    told = compared(run(before), run(now))
    assert told.endswith("Starts that passed: 100 % (95 %: 84 to 100 %), was 20 % (95 %: 6 to 51 %), higher.")
    unclear = Result("p", "Starts that passed", 0.7, low=0.40, high=0.89)
    assert "no difference" in compared(run(before), run(unclear))


def test_words_are_told_where_they_changed() -> None:
    assert "Kind: ohmic, was diode-like." in compared(
        run(Result("k", "Kind", "diode-like")), run(Result("k", "Kind", "ohmic"))
    )
    assert compared(run(Result("k", "Kind", "ohmic")), run(Result("k", "Kind", "ohmic"))) == ""


def test_runs_without_a_figure_in_common_say_nothing() -> None:
    other = Result("x", "Other", 1.0, "A")
    assert compared(run(Result("r", "Rail", None, "Ω")), run(Result("r", "Rail", 1.0, "Ω"), other)) == ""
    assert compared(run(Result("r", "Rail", 1.0, "V")), run(Result("r", "Rail", 1.0, "Ω"))) == ""


def test_of_many_figures_the_first_are_named() -> None:
    rows = [Result(f"r{n}", f"Row {n}", float(n + 1), "A", 0.1) for n in range(7)]
    assert "3 more figures are in both runs" in compared(run(*rows), run(*rows))
